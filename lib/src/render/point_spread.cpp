#include <math.h>  // j1 (POSIX)

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstddef>
#include <numbers>
#include <opencv2/core.hpp>
#include <string>
#include <utility>

#include "render/transfer.h"
#include "render/wavefront.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"

namespace starwaist {

namespace {

using render::SeeingTable;
using render::Wavefront;

constexpr double kPi = std::numbers::pi;

// The square on which a star's image is worked out: size x size samples, periodic.
struct Grid {
  int size = 0;
  int samples_per_px = 1;
  double spacing_um = 1;
  bool by_rays = false;
};

constexpr int kLargestSize = 4096;

// Radius, in full widths, that holds all but 1e-4 of the seeing disc, or 12 (a Moffat wing of small
// beta; all but 2e-3 of a Kolmogorov disc).
double seeing_reach(const RenderOptions& options) {
  constexpr double kMost = 12;
  switch (options.seeing_profile) {
    case SeeingProfile::gaussian:
      return 2;
    case SeeingProfile::moffat: {
      const double left_out = std::pow(1e-4, 1 / (1 - options.moffat_beta));
      return std::min(kMost,
                      std::sqrt((left_out - 1) / (std::exp2(1 / options.moffat_beta) - 1)) / 2);
    }
    case SeeingProfile::kolmogorov:
      break;
  }
  return kMost;
}

// Half the extent must hold the spot (the pupil then has two samples a fringe at its rim, since a
// ray lands at the wavefront's slope), the wings of seeing, and so many diffraction widths that the
// pupil's radius has at least 96 samples (its grey edge is then good to 1e-3 of the flux).
Result<Grid> grid_for(const RenderOptions& options, const Wavefront& wavefront, double seeing_um,
                      double motion_px) {
  constexpr double kPupilRadiusSamples = 96;
  constexpr double kSpotMargin = 1.3;
  constexpr int kRaySamplesPerPx = 3;
  constexpr double kLargestSpotPx = 1000;
  const auto [shortest, longest] =
      std::minmax_element(options.wavelengths_um.begin(), options.wavelengths_um.end());
  const double spot_um = 2 * wavefront.spot_radius_um();
  if (spot_um / options.pixel_um > kLargestSpotPx) {
    return fail(ErrorCode::invalid_argument,
                "a defocus that blurs a star over " + format_fixed(spot_um / options.pixel_um, 0) +
                    " px is too large to render",
                "Keep the positions nearer to best focus");
  }
  const double seeing_extent_um = 2 * seeing_reach(options) * seeing_um;
  const double extent_um =
      std::max({2 * kPupilRadiusSamples * *longest * options.f_number,
                kSpotMargin * spot_um + 0.5 * seeing_extent_um, seeing_extent_um}) +
      (8 + 2 * motion_px) * options.pixel_um;

  // Waves: at least two samples in lambda N (the image's own band limit); ten, or five in a pixel,
  // so that stars can be placed between samples by cubic interpolation and discs be summed.
  const double shortest_um = *shortest * options.f_number;
  Grid grid;
  grid.samples_per_px =
      std::max(static_cast<int>(std::ceil(2 * options.pixel_um / shortest_um)),
               std::min(5, static_cast<int>(std::ceil(10 * options.pixel_um / shortest_um))));
  double needed = extent_um / options.pixel_um * grid.samples_per_px;
  if (needed > kLargestSize) {
    grid.by_rays = true;
    grid.samples_per_px = std::min(grid.samples_per_px, kRaySamplesPerPx);
    needed = std::min(extent_um / options.pixel_um * grid.samples_per_px,
                      static_cast<double>(kLargestSize));
  }
  grid.size = 2 * cv::getOptimalDFTSize(static_cast<int>(std::ceil(needed / 2)));
  grid.spacing_um = options.pixel_um / grid.samples_per_px;
  return grid;
}

// Adds |Fourier transform of the pupil|^2 at one wavelength, centred on sample (0, 0), unit flux
// times `weight`. A sample of the pupil is 2 lambda N / (size * spacing) rim radii wide, so that
// every wavelength lands on the same image samples.
void add_diffraction(const RenderOptions& options, const Wavefront& wavefront, const Grid& grid,
                     double wavelength_um, double weight, cv::Mat& image) {
  const double step = 2 * wavelength_um * options.f_number / (grid.size * grid.spacing_um);
  const int reach = static_cast<int>(std::ceil(1 / step)) + 1;
  const int rows = std::min(2 * reach + 1, grid.size);
  cv::Mat pupil = cv::Mat::zeros(grid.size, grid.size, CV_64FC2);
  const double waves_per_um = 2 * kPi / wavelength_um;
  double area = 0;
  for (int j = 0; j < rows; ++j) {
    const double v = (j - reach) * step;
    auto* row = pupil.ptr<std::complex<double>>(j);
    for (int i = 0; i < rows; ++i) {
      const double u = (i - reach) * step;
      const double r = std::hypot(u, v);
      // Grey edges: the share of the sample inside the rim and outside the obstruction. Their phase
      // is taken a quarter of the missing share inwards, which cancels the second-order error that
      // grey edges have where the wavefront slopes.
      const double inside = std::clamp((1 - r) / step + 0.5, 0.0, 1.0);
      const double outside = options.obstruction > 0
                                 ? std::clamp((r - options.obstruction) / step + 0.5, 0.0, 1.0)
                                 : 1.0;
      const double amplitude = inside * outside;
      if (amplitude <= 0) continue;
      const double inward = r > 0 ? 1 + 0.25 * step * (inside - outside) / r : 1.0;
      area += amplitude;
      row[i] = std::polar(amplitude, waves_per_um * wavefront.error_um(u * inward, v * inward));
    }
  }
  // Where the pupil lies in its array changes only the phase of the image.
  cv::dft(pupil, pupil, 0, rows);
  const double scale = weight / (area * grid.size * grid.size);  // Parseval
  double total = 0;
  for (int y = 0; y < grid.size; ++y) {
    const auto* row = pupil.ptr<std::complex<double>>(y);
    auto* out = image.ptr<double>(y);
    for (int x = 0; x < grid.size; ++x) {
      const double flux = scale * std::norm(row[x]);
      out[x] += flux;
      total += flux;
    }
  }
  // Grey edges take from the far wings only; what they took (0.3 %) is spread over the square.
  image += (weight - total) / (static_cast<double>(grid.size) * grid.size);
}

// Unit flux spread by counting rays of an evenly filled pupil, centred on sample (0, 0).
void add_rays(const RenderOptions& options, const Wavefront& wavefront, const Grid& grid,
              cv::Mat& image) {
  // Four rays a sample along each axis where the spot is evenly lit.
  const double spot_samples = 2 * wavefront.spot_radius_um() / grid.spacing_um;
  const int across = std::clamp(static_cast<int>(4 * spot_samples), 64, 12000);
  const double e2 = options.obstruction * options.obstruction;
  double count = 0;
  for (int j = 0; j < across; ++j) {
    const double v = (2 * j + 1.0) / across - 1;
    for (int i = 0; i < across; ++i) {
      const double u = (2 * i + 1.0) / across - 1;
      const double r2 = u * u + v * v;
      if (r2 > 1 || r2 < e2) continue;
      double x = 0;
      double y = 0;
      wavefront.landing_um(u, v, x, y);
      const auto wrapped = [&](double um) {
        const int sample = static_cast<int>(std::lround(um / grid.spacing_um)) % grid.size;
        return sample < 0 ? sample + grid.size : sample;
      };
      image.at<double>(wrapped(y), wrapped(x)) += 1;
      ++count;
    }
  }
  image /= count;
}

double frequency(int index, int size, double spacing_um) {
  return (index <= size / 2 ? index : index - size) / (size * spacing_um);
}

// Back from frequencies to samples, centre moved to (size / 2, size / 2).
std::vector<float> centred_samples(const cv::Mat& spectrum, const Grid& grid) {
  cv::Mat image;
  cv::dft(spectrum, image, cv::DFT_INVERSE | cv::DFT_SCALE | cv::DFT_REAL_OUTPUT);
  const int half = grid.size / 2;
  // A sample holds the flux of its own square; a pixel has samples_per_px^2 of them.
  const double per_px = static_cast<double>(grid.samples_per_px) * grid.samples_per_px;
  const auto size = static_cast<std::size_t>(grid.size);
  std::vector<float> values(size * size);
  for (int y = 0; y < grid.size; ++y) {
    const auto* row = image.ptr<double>((y + half) % grid.size);
    float* out = values.data() + static_cast<std::size_t>(y) * size;
    for (int x = 0; x < grid.size; ++x) {
      out[x] = static_cast<float>(per_px * row[(x + half) % grid.size]);
    }
  }
  return values;
}

void find_centroid(PointSpread& spread) {
  double sum = 0;
  double sum_x = 0;
  double sum_y = 0;
  const int half = spread.size / 2;
  for (int y = 0; y < spread.size; ++y) {
    const float* row =
        spread.values.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(spread.size);
    double row_sum = 0;
    for (int x = 1; x < spread.size; ++x) {  // the first row and column have no partner
      row_sum += row[x];
      sum_x += row[x] * (x - half);
    }
    if (y > 0) sum_y += row_sum * (y - half);
    sum += row_sum;
  }
  spread.centroid_x_px = sum_x / sum / spread.samples_per_px;
  spread.centroid_y_px = sum_y / sum / spread.samples_per_px;
}

// The spectrum about the centroid, summed over directions into narrow rings of frequency (each term
// shared between its two neighbours, so that what is read off is linear interpolation between
// rings).
void sum_over_directions(const cv::Mat& spectrum, const Grid& grid, PointSpread& spread) {
  constexpr double kRingsPerTerm = 32;  // the interpolation error then stays below 1e-3 of a ring's
                                        // share even for discs as wide as half the square
  const double extent_px = static_cast<double>(grid.size) / grid.samples_per_px;
  spread.ring_step_per_px = 1 / (extent_px * kRingsPerTerm);
  spread.ring_transfer.assign(
      static_cast<std::size_t>(kRingsPerTerm * grid.size * std::numbers::sqrt2 / 2) + 3, 0.0);
  // exp(2 pi i k c / extent) along each axis brings the centroid to the origin.
  std::vector<std::complex<double>> turn_x(static_cast<std::size_t>(grid.size));
  std::vector<std::complex<double>> turn_y(turn_x.size());
  for (int i = 0; i < grid.size; ++i) {
    const double nu = frequency(i, grid.size, 1.0 / grid.samples_per_px);
    turn_x[static_cast<std::size_t>(i)] = std::polar(1.0, 2 * kPi * nu * spread.centroid_x_px);
    turn_y[static_cast<std::size_t>(i)] = std::polar(1.0, 2 * kPi * nu * spread.centroid_y_px);
  }
  const double scale = 1 / (extent_px * extent_px);
  // The image is real: the other half of the frequencies has the same real parts.
  const int half = grid.size / 2;
  for (int y = 0; y < grid.size; ++y) {
    const auto* row = spectrum.ptr<std::complex<double>>(y);
    const double ky = std::min(y, grid.size - y);
    const std::complex<double> turned = scale * turn_y[static_cast<std::size_t>(y)];
    for (int x = 0; x <= half; ++x) {
      const double kx = x;
      const double place = kRingsPerTerm * std::sqrt(kx * kx + ky * ky);
      const auto ring = static_cast<std::size_t>(place);
      const double share = place - static_cast<double>(ring);
      const double halves = x == 0 || x == half ? 1 : 2;
      const double value = halves * (row[x] * turn_x[static_cast<std::size_t>(x)] * turned).real();
      spread.ring_transfer[ring] += (1 - share) * value;
      spread.ring_transfer[ring + 1] += share * value;
    }
  }
  // Beyond the band limit, and where seeing leaves nothing, rounding errors are all there is.
  constexpr double kNothing = 1e-13;
  std::size_t used = spread.ring_transfer.size();
  while (used > 1 && std::abs(spread.ring_transfer[used - 1]) < kNothing * scale) --used;
  spread.ring_transfer.resize(used);
}

// What widens the optics' own image.
struct Blur {
  double seeing_um = 0;
  double trail_px = 0;
  double shake_px = 0;
  double mean_wavelength_um = 0;
};

// Takes seeing, pixel and motion, and where the image is by rays the pupil's diffraction, into the
// image's spectrum.
void blur_spectrum(const RenderOptions& options, const Grid& grid, const Blur& blur,
                   cv::Mat& spectrum) {
  const SeeingTable seeing(options.seeing_profile, options.moffat_beta, blur.seeing_um,
                           std::numbers::sqrt2 / (2 * grid.spacing_um));
  const double trail_angle = options.trail_angle_deg * kPi / 180;
  const double trail_x_um = blur.trail_px * options.pixel_um * std::cos(trail_angle);
  const double trail_y_um = blur.trail_px * options.pixel_um * std::sin(trail_angle);
  const double shake_um = blur.shake_px * options.pixel_um;
  std::vector<double> along(static_cast<std::size_t>(grid.size));
  std::vector<double> pixel(along.size());
  for (int i = 0; i < grid.size; ++i) {
    const auto k = static_cast<std::size_t>(i);
    along[k] = frequency(i, grid.size, grid.spacing_um);
    pixel[k] = render::sinc(along[k] * options.pixel_um);
  }
  // All but a trail is even along both axes.
  const int half = grid.size / 2;
  std::vector<double> even(static_cast<std::size_t>(half) + 1);
  for (int y = 0; y <= half; ++y) {
    const auto j = static_cast<std::size_t>(y);
    for (std::size_t i = 0; i < even.size(); ++i) {
      const double radius = std::sqrt(along[i] * along[i] + along[j] * along[j]);
      even[i] = seeing.at(radius) * pixel[i] * pixel[j];
      if (blur.shake_px > 0)
        even[i] *= std::exp(-2 * kPi * kPi * radius * radius * shake_um * shake_um);
      if (grid.by_rays) {
        even[i] *=
            render::clear_pupil_transfer(radius * blur.mean_wavelength_um * options.f_number);
      }
    }
    for (const int line : {y, (grid.size - y) % grid.size}) {
      auto* row = spectrum.ptr<std::complex<double>>(line);
      for (int x = 0; x < grid.size; ++x) {
        double factor = even[static_cast<std::size_t>(std::min(x, grid.size - x))];
        if (blur.trail_px > 0) {
          factor *= render::sinc(along[static_cast<std::size_t>(x)] * trail_x_um +
                                 along[static_cast<std::size_t>(line)] * trail_y_um);
        }
        row[x] *= factor;
      }
      if (y == 0 || y == half) break;  // its own mirror
    }
  }
}

}  // namespace

Result<PointSpread> point_spread(const RenderOptions& given, double defocus_um,
                                 double seeing_arcsec, double trail_px, double shake_px) {
  auto options = checked(given);
  if (!options) return tl::unexpected(options.error());
  if (!std::isfinite(defocus_um) || !(seeing_arcsec >= 0) || !(trail_px >= 0) || !(shake_px >= 0)) {
    return fail(ErrorCode::invalid_argument, "defocus, seeing or motion is not a usable number",
                "Give a finite defocus, and a seeing, a trail and a shake of 0 or more");
  }
  constexpr double kArcsecPerRadian = 648000 / kPi;
  const double seeing_um = seeing_arcsec / kArcsecPerRadian * options->focal_length_mm * 1000;
  const Wavefront wavefront(*options, defocus_um);
  const auto grid = grid_for(*options, wavefront, seeing_um, trail_px + 4 * shake_px);
  if (!grid) return tl::unexpected(grid.error());

  cv::Mat image = cv::Mat::zeros(grid->size, grid->size, CV_64F);
  double mean_wavelength_um = 0;
  const double weight = 1.0 / static_cast<double>(options->wavelengths_um.size());
  for (const double wavelength_um : options->wavelengths_um) {
    if (!grid->by_rays) {
      add_diffraction(*options, wavefront, *grid, wavelength_um, weight, image);
    }
    mean_wavelength_um += weight * wavelength_um;
  }
  if (grid->by_rays) add_rays(*options, wavefront, *grid, image);

  cv::Mat spectrum;
  cv::dft(image, spectrum, cv::DFT_COMPLEX_OUTPUT);
  blur_spectrum(*options, *grid, {seeing_um, trail_px, shake_px, mean_wavelength_um}, spectrum);

  PointSpread spread;
  spread.size = grid->size;
  spread.samples_per_px = grid->samples_per_px;
  spread.by_rays = grid->by_rays;
  spread.values = centred_samples(spectrum, *grid);
  find_centroid(spread);
  sum_over_directions(spectrum, *grid, spread);
  return spread;
}

// The integral over a disc, term by term: R J1(2 pi nu R) / nu. Exact for the periodic image, which
// has no frequencies beyond its samples'.
double enclosed_flux(const PointSpread& spread, double radius_px) {
  double sum =
      spread.ring_transfer.empty() ? 0.0 : spread.ring_transfer[0] * kPi * radius_px * radius_px;
  for (std::size_t i = 1; i < spread.ring_transfer.size(); ++i) {
    if (spread.ring_transfer[i] == 0) continue;
    const double nu = spread.ring_step_per_px * static_cast<double>(i);
    sum += spread.ring_transfer[i] * radius_px / nu * ::j1(2 * kPi * nu * radius_px);
  }
  return sum;
}

double half_flux_radius_px(const PointSpread& spread) {
  // The growth curve rises (up to ripples far from half the flux): false position, with the weight
  // of an end that stays halved (Illinois), so that the interval shrinks from both sides.
  double low = 0;
  double below = -0.5;
  double high = 0.5 * spread.size / spread.samples_per_px;
  double above = enclosed_flux(spread, high) - 0.5;
  if (!(above > 0)) return high;
  int last_side = 0;
  for (int step = 0; step < 200; ++step) {
    const double middle = (low * above - high * below) / (above - below);
    const double value = enclosed_flux(spread, middle) - 0.5;
    if (std::abs(value) < 1e-12 || high - low < 1e-10 * high) return middle;
    if (value < 0) {
      low = middle;
      below = value;
      if (last_side < 0) above *= 0.5;
      last_side = -1;
    } else {
      high = middle;
      above = value;
      if (last_side > 0) below *= 0.5;
      last_side = 1;
    }
  }
  return 0.5 * (low + high);
}

}  // namespace starwaist
