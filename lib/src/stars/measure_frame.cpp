#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>
#include <string>

#include "stars/aperture.h"
#include "stars/background.h"
#include "stars/detect.h"
#include "stars/profile.h"
#include "stars/shape.h"
#include "stars/summary.h"
#include "starwaist/numbers.h"
#include "starwaist/stars.h"
#include "starwaist/statistics.h"

// Order of work: sky, candidates at all scales, the size that the frame's stars share, the sky
// again with the stars masked, each star with a first aperture, the growth profile stacked from the
// bright ones, each star again with the profile's aperture and wings, the frame's summary.

namespace starwaist {
namespace {

using stars::Candidate;
using stars::Centre;
using stars::GrowthCurve;
using stars::GrowthProfile;
using stars::MaskedDisc;
using stars::SkyMap;
using stars::Stamp;

constexpr double kWindowOfSize = 1.5;  // windowed centroid and moments, in half-flux radii
constexpr double kFirstApertureOfSize = 3.0;
// The aperture holds this fraction of a star's light: wide enough that the correction for the rest
// is small, narrow enough that the sky's noise is (a Gaussian star keeps 95 % inside 2.1 half-flux
// radii, where the scatter from the sky is within 5 % of its least).
constexpr double kApertureFraction = 0.95;
constexpr double kStackReach = 8.0;  // half-flux radii of the stack's stamps
constexpr std::size_t kStackStars = 40;
constexpr std::size_t kProbeStars = 80;  // that decide the frame's size
constexpr double kFewestSizePx = 0.55;   // smaller than any star: a pixel's own defect
constexpr double kSummarySnr = 10.0;
constexpr double kBlendFraction = 0.02;  // foreign light that marks a star: 1.4 % in its size
constexpr double kLargestSizePx = 60.0;

// What is known of the frame while its stars are measured.
struct Context {
  const Frame* frame = nullptr;
  const SkyMap* sky = nullptr;
  std::optional<double> gain_e_per_adu;
  double saturation_adu = std::numeric_limits<double>::infinity();
};

// Raw pixel above which a star counts as clipped. Without a given level: the top value, where many
// pixels share it or it is the end of the 16-bit range.
double saturation_level(const Frame& frame, const MeasureOptions& options,
                        const std::vector<Candidate>& bright) {
  constexpr double kNearlyFull = 0.98;  // response bends before the converter's end
  if (options.saturation_adu) return kNearlyFull * *options.saturation_adu;
  if (frame.facts.saturation_adu) return kNearlyFull * *frame.facts.saturation_adu;
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  constexpr int kReach = 2;
  constexpr std::size_t kLooked = 200;
  std::vector<double> tops;
  for (std::size_t i = 0; i < std::min(bright.size(), kLooked); ++i) {
    const int cx = static_cast<int>(std::lround(bright[i].x_px));
    const int cy = static_cast<int>(std::lround(bright[i].y_px));
    for (int y = std::max(0, cy - kReach); y <= std::min(height - 1, cy + kReach); ++y) {
      for (int x = std::max(0, cx - kReach); x <= std::min(width - 1, cx + kReach); ++x) {
        const double value = frame.pixels.at(x, y);
        if (std::isfinite(value)) tops.push_back(value);
      }
    }
  }
  if (tops.empty()) return std::numeric_limits<double>::infinity();
  const double top = *std::max_element(tops.begin(), tops.end());
  const auto at_top = std::count_if(tops.begin(), tops.end(),
                                    [top](double t) { return t >= top - 1e-3 * std::abs(top); });
  constexpr int kPlateau = 4;  // pixels that agree to 0.1 % are a ceiling, not a peak
  const bool whole_counts =
      std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage());
  const double range_end = frame.pixels.zero() + frame.pixels.scale() * 65535.0;
  const bool plateau = at_top >= kPlateau;
  const bool full_range = whole_counts && top >= 0.999 * range_end;
  return plateau || full_range ? kNearlyFull * top : std::numeric_limits<double>::infinity();
}

Stamp cut_stamp(const Context& context, Centre centre, double radius_px) {
  const PixelBuffer& pixels = context.frame->pixels;
  const int reach = static_cast<int>(std::ceil(radius_px)) + 2;
  const int cx = static_cast<int>(std::lround(centre.x_px));
  const int cy = static_cast<int>(std::lround(centre.y_px));
  Stamp stamp;
  stamp.x_begin_px = cx - reach;
  stamp.y_begin_px = cy - reach;
  stamp.width_px = stamp.height_px = 2 * reach + 1;
  stamp.pixels.assign(
      static_cast<std::size_t>(stamp.width_px) * static_cast<std::size_t>(stamp.height_px),
      std::numeric_limits<float>::quiet_NaN());
  const int x_first = std::max(0, stamp.x_begin_px);
  const int x_end = std::min(pixels.width_px(), stamp.x_begin_px + stamp.width_px);
  if (x_end <= x_first) return stamp;
  std::vector<float> level(static_cast<std::size_t>(x_end - x_first));
  for (int y = std::max(0, stamp.y_begin_px);
       y < std::min(pixels.height_px(), stamp.y_begin_px + stamp.height_px); ++y) {
    float* row =
        stamp.pixels.data() +
        static_cast<std::size_t>(y - stamp.y_begin_px) * static_cast<std::size_t>(stamp.width_px) +
        (x_first - stamp.x_begin_px);
    pixels.read_row(y, x_first, std::span(row, level.size()));
    context.sky->level_row(y, x_first, level);
    for (std::size_t i = 0; i < level.size(); ++i) row[i] -= level[i];
  }
  return stamp;
}

// Hot pixels of the stamp become their neighbours' mean.
void repair_stamp(Stamp& stamp, double noise_adu) {
  constexpr double kDefectSnr = 5.0;
  stars::repair_hot_pixels(
      stamp.pixels.data(), stamp.width_px, stamp.height_px, kDefectSnr * noise_adu,
      [noise_adu](int, int) { return noise_adu; }, [](int, int) {});
}

struct SkyOffset {
  double value_adu = 0;
  double sigma_adu = 0;
};

struct AnnulusSky {
  double value_adu = 0;
  double sigma_adu = 0;
  double inner_px = 0;
  double outer_px = 0;
};

// Sky left on a stamp between two radii: clipped mean and its standard error. Absent where less
// than a quarter of the annulus can be seen.
std::optional<AnnulusSky> annulus_offset(const Stamp& stamp, Centre centre, double inner_px,
                                         double outer_px, double noise_adu) {
  std::vector<double> values;
  for (int y = 0; y < stamp.height_px; ++y) {
    for (int x = 0; x < stamp.width_px; ++x) {
      const double r =
          std::hypot(x + stamp.x_begin_px - centre.x_px, y + stamp.y_begin_px - centre.y_px);
      if (r < inner_px || r > outer_px) continue;
      const float v = stamp.at(x, y);
      if (std::isfinite(v)) values.push_back(v);
    }
  }
  const double full = std::numbers::pi * (outer_px * outer_px - inner_px * inner_px);
  if (values.size() < 20 || static_cast<double>(values.size()) < 0.25 * full) return std::nullopt;
  const stars::ClippedMean mean = stars::clipped_mean(values, noise_adu);
  if (mean.count < 10) return std::nullopt;
  return AnnulusSky{mean.value, mean.spread / std::sqrt(static_cast<double>(mean.count)), inner_px,
                    outer_px};
}

// A star on its way through the rounds.
struct Work {
  Candidate candidate;
  Star star;
  double size_px = 0;  // expected or last measured half-flux radius
  bool measured = false;
  bool defect = false;               // far too small for a star of this frame
  std::optional<AnnulusSky> offset;  // what the annulus shows, the star's own wings included
  std::optional<stars::Polarisation> polarisation;
  double polarisation_sigma = 0;
};

// Half-flux radius and light with the profile's wings: the aperture's share of the light depends on
// the size, so the two are found together.
struct Size {
  double hfr_px = 0;
  double flux_adu = 0;
};

std::optional<Size> size_of(const GrowthCurve& growth, const GrowthProfile& profile,
                            double aperture_px, double sky_offset_adu, double start_px) {
  const auto net = [&](double r) {
    return growth.flux(r) - std::numbers::pi * r * r * sky_offset_adu;
  };
  const double inside = net(aperture_px);
  if (!(inside > 0)) return std::nullopt;
  double size = std::max(start_px, 0.3);
  double total = inside;
  for (int round = 0; round < 12; ++round) {
    const double share = std::clamp(profile.fraction(aperture_px / size), 0.3, 1.0);
    total = inside / share;
    // A pedestal bends the growth curve by pi r^2 of it: folded into the target.
    double next = size;
    for (int inner = 0; inner < 4; ++inner) {
      const double target = 0.5 * total + std::numbers::pi * next * next * sky_offset_adu;
      const double r = target > 0 ? growth.radius_of(target) : 0.0;
      const bool settled = std::abs(r - next) < 1e-4 * std::max(r, 0.1);
      next = r;
      if (settled || sky_offset_adu == 0) break;
    }
    const bool settled = std::abs(next - size) < 2e-4 * size;
    size = next;
    if (!(size > 0.05)) return std::nullopt;
    if (settled) break;
  }
  return Size{size, total};
}

// One pixel's noise variance of the whole frame's sampling: a mosaic's filled-in pixels repeat
// their neighbours' noise.
double pixel_variance(const Context& context, Centre centre) {
  const double sigma = context.sky->noise_adu(centre.x_px, centre.y_px);
  const double fraction = context.frame->sample_fraction;
  // Filled-in sites are smoother than true ones, and the spread is read over both kinds: the mean
  // variance of green sites and those filled in by the kernel 10/32, -1/32 is 0.70 of a true one's.
  const double smoothing = fraction < 1 ? 0.70 : 1.0;
  return sigma * sigma / (smoothing * fraction);
}

// Measures one star with the given profile and aperture. `sky` is the pedestal to take off. The
// last round adds shape and mean radius and needs no annulus, from which only a next round would
// learn.
void measure_star(const Context& context, const GrowthProfile& profile, double aperture_px,
                  const SkyOffset& sky, bool last_round, std::optional<double> beta, Work& work) {
  work.measured = false;
  const double size = work.size_px;
  Centre centre{work.star.x_px, work.star.y_px};
  const double annulus_inner_px = aperture_px * 1.25 + 1;
  const double annulus_outer_px = aperture_px * 1.75 + 4;
  Stamp stamp = cut_stamp(context, centre, annulus_outer_px);
  const double variance = pixel_variance(context, centre);
  const double noise = std::sqrt(variance);
  repair_stamp(stamp, noise);
  const auto found = stars::windowed_centroid(stamp, centre, std::max(kWindowOfSize * size, 1.0),
                                              std::max(1.5 * size, 2.0));
  if (!found) return;
  centre = *found;
  work.star.x_px = centre.x_px;
  work.star.y_px = centre.y_px;
  work.star.aperture_px = aperture_px;
  const int width = context.frame->pixels.width_px();
  const int height = context.frame->pixels.height_px();
  work.star.at_edge = centre.x_px < aperture_px || centre.y_px < aperture_px ||
                      centre.x_px > width - 1 - aperture_px ||
                      centre.y_px > height - 1 - aperture_px;
  if (!last_round) {
    work.offset = annulus_offset(stamp, centre, annulus_inner_px, annulus_outer_px,
                                 context.sky->noise_adu(centre.x_px, centre.y_px));
  }

  const GrowthCurve growth(stamp, centre.x_px, centre.y_px, aperture_px, size);
  const auto measured = size_of(growth, profile, aperture_px, sky.value_adu, size);
  if (!measured) return;
  Star& star = work.star;
  star.flux_adu = measured->flux_adu;
  star.hfr_px = measured->hfr_px;
  work.size_px = measured->hfr_px;

  // Peak and saturation from the raw pixels.
  double peak = 0;
  bool clipped = false;
  const double core = std::max(1.5, 1.6 * measured->hfr_px);
  const auto first = [core](double c) { return std::max(0, static_cast<int>(c - core)); };
  const auto last = [core](double c, int side) {
    return std::min(side - 1, static_cast<int>(std::ceil(c + core)));
  };
  const double stamp_x = centre.x_px - stamp.x_begin_px;
  const double stamp_y = centre.y_px - stamp.y_begin_px;
  for (int y = first(stamp_y); y <= last(stamp_y, stamp.height_px); ++y) {
    for (int x = first(stamp_x); x <= last(stamp_x, stamp.width_px); ++x) {
      const float v = stamp.at(x, y);
      if (!std::isfinite(v)) continue;
      const double px = x + stamp.x_begin_px;
      const double py = y + stamp.y_begin_px;
      if (std::hypot(px - centre.x_px, py - centre.y_px) > core) continue;
      peak = std::max<double>(peak, v);
      clipped = clipped || v + context.sky->level_adu(px, py) >= context.saturation_adu;
    }
  }
  star.peak_adu = peak;
  star.saturated = clipped;

  // Noise of the light inside r and between r and the aperture, photons included where the gain is
  // known; the sky's pedestal moves both sums together.
  const double h = measured->hfr_px;
  const double share = std::clamp(profile.fraction(aperture_px / h), 0.3, 1.0);
  const double area_in = std::numbers::pi * h * h;
  const double area_out = std::numbers::pi * aperture_px * aperture_px - area_in;
  const double photons_in =
      context.gain_e_per_adu ? 0.5 * star.flux_adu / *context.gain_e_per_adu : 0;
  const double photons_out =
      context.gain_e_per_adu ? std::max(0.0, share - 0.5) * star.flux_adu / *context.gain_e_per_adu
                             : 0;
  const double v_in = area_in * variance + photons_in;
  const double v_out = std::max(area_out, 0.0) * variance + photons_out;
  const double q = 0.5 / share;
  const double pedestal = sky.sigma_adu * (area_in - q * (area_in + area_out));
  const double target_variance = (1 - q) * (1 - q) * v_in + q * q * v_out + pedestal * pedestal;
  // dF/dr at the half-flux radius, less what a larger star adds to its own target through the share
  // of its light inside the aperture.
  const double reach = aperture_px / h;
  const double slope =
      star.flux_adu * (profile.slope(1.0) - 0.5 * profile.slope(reach) * reach / share) / h;
  if (slope > 0) star.hfr_sigma_px = std::sqrt(target_variance) / slope;
  const double flux_sigma =
      std::sqrt(v_in + v_out + std::pow(sky.sigma_adu * (area_in + area_out), 2)) / share;
  star.snr = flux_sigma > 0 ? star.flux_adu / flux_sigma : 0;
  const double mean_radius = growth.mean_radius(aperture_px);
  star.mean_radius_px = mean_radius > 0 ? std::optional(mean_radius) : std::nullopt;
  work.measured = true;

  if (!last_round) return;
  const double window = std::max(kWindowOfSize * h, 1.0);
  work.polarisation = stars::windowed_polarisation(stamp, centre, window);
  // Standard deviation of either component for a Gaussian star under this window: from the sky
  // sqrt(pi) s (a + b)^3 / (2 F a b^1.5) with a = star's, b = window's variance (own derivation),
  // from the photons sqrt(2 / electrons).
  const double a = h * h / (2 * std::numbers::ln2);
  const double b = window * window;
  const double from_sky = std::sqrt(std::numbers::pi) * noise * std::pow(a + b, 3) /
                          (2 * star.flux_adu * a * std::pow(b, 1.5));
  const double from_photons =
      context.gain_e_per_adu ? 2.0 / (star.flux_adu * *context.gain_e_per_adu) : 0.0;
  work.polarisation_sigma = std::sqrt(from_sky * from_sky + from_photons);
  if (work.polarisation) {
    const double e2 = work.polarisation->e1 * work.polarisation->e1 +
                      work.polarisation->e2 * work.polarisation->e2 -
                      2 * work.polarisation_sigma * work.polarisation_sigma;
    star.eccentricity = stars::eccentricity_of(std::sqrt(std::max(0.0, e2)));
    star.angle_deg = stars::angle_deg_of(*work.polarisation);
  }
  // Below 1.5 px a dark centre is narrower than a pixel and cannot be told.
  constexpr double kPeaked = 1.25;
  if (h < 1.5 || profile.central_ratio() > kPeaked) {
    const auto moffat = stars::fit_moffat(stamp, centre, std::max(2.5 * h, 3.0), 1.9 * h, beta);
    if (moffat) star.fwhm_px = moffat->fwhm_px;
  }
}

// A candidate's half-flux radius without any knowledge: the aperture grows until it holds the star.
std::optional<double> probe_size(const Context& context, const Candidate& candidate) {
  double size = 1.2 * stars::template_sigma_px(candidate.level);
  const GrowthProfile gaussian = GrowthProfile::gaussian();
  Centre centre{candidate.x_px, candidate.y_px};
  for (int round = 0; round < 6; ++round) {
    const double aperture = std::max(2.5 * size, 3.0);
    Stamp stamp = cut_stamp(context, centre, aperture);
    repair_stamp(stamp, context.sky->noise_adu(centre.x_px, centre.y_px));
    const auto found = stars::windowed_centroid(stamp, centre, std::max(kWindowOfSize * size, 1.0),
                                                std::max(2 * size, 2.0));
    if (!found) return std::nullopt;
    centre = *found;
    const GrowthCurve growth(stamp, centre.x_px, centre.y_px, aperture, size);
    const auto measured = size_of(growth, gaussian, aperture, 0, size);
    if (!measured || measured->hfr_px > kLargestSizePx) return std::nullopt;
    const bool settled = std::abs(measured->hfr_px - size) < 0.03 * size;
    size = measured->hfr_px;
    if (settled) break;
  }
  return size;
}

// The size that most of the frame's light-carrying objects share. Hot pixels' remains are below any
// star's size; among the others the middle one by signal counts.
std::optional<double> frame_size(const Context& context, const std::vector<Candidate>& candidates) {
  std::vector<double> sizes;
  std::vector<double> weights;
  constexpr double kCappedSnr = 60.0;  // so that one bright galaxy does not outvote the stars
  for (std::size_t i = 0; i < std::min(candidates.size(), kProbeStars); ++i) {
    const auto size = probe_size(context, candidates[i]);
    if (!size || *size < kFewestSizePx) continue;
    sizes.push_back(*size);
    weights.push_back(std::min(candidates[i].snr, kCappedSnr));
  }
  if (sizes.empty()) return std::nullopt;
  return weighted_median(sizes, weights);
}

// Levels of the smoothing that match stars of a size: a Gaussian's own sigma is 0.85, the best
// kernel for a thin ring 1.3 half-flux radii.
struct Levels {
  int first = 0;
  int last = 0;
};

Levels matching_levels(double size_px) {
  const auto level = [](double sigma) {
    return std::log2(std::max(sigma, 1e-3) / stars::template_sigma_px(0));
  };
  const int top = stars::kDetectionLevels - 1;
  return {std::clamp(static_cast<int>(std::floor(level(0.75 * size_px))), 0, top),
          std::clamp(static_cast<int>(std::ceil(level(1.4 * size_px))), 0, top)};
}

// Sizes change smoothly over a tilted or curved field: the median of the good stars in each ninth
// of the frame, the frame's own where a ninth has too few.
class SizeByPlace {
 public:
  SizeByPlace(int width_px, int height_px, double frame_size_px, const std::vector<Work>& works)
      : width_px_(width_px), height_px_(height_px), size_px_(kSide * kSide, frame_size_px) {
    std::vector<std::vector<double>> zone(size_px_.size());
    for (const Work& w : works) {
      if (!w.measured || w.star.saturated || w.star.blended || w.star.snr < 1.5 * kSummarySnr)
        continue;
      if (w.size_px < 0.5 * frame_size_px || w.size_px > 3 * frame_size_px) continue;
      zone[index(w.star.x_px, w.star.y_px)].push_back(w.size_px);
    }
    for (std::size_t i = 0; i < zone.size(); ++i) {
      if (zone[i].size() >= kFewest) size_px_[i] = median(zone[i]);
    }
  }
  [[nodiscard]] double at(double x_px, double y_px) const { return size_px_[index(x_px, y_px)]; }

 private:
  static constexpr int kSide = 3;
  static constexpr std::size_t kFewest = 5;
  [[nodiscard]] std::size_t index(double x_px, double y_px) const {
    const auto zone = [](double place_px, int length_px) {
      return static_cast<std::size_t>(
          std::clamp(static_cast<int>(kSide * place_px / length_px), 0, kSide - 1));
    };
    return zone(y_px, height_px_) * kSide + zone(x_px, width_px_);
  }
  int width_px_;
  int height_px_;
  std::vector<double> size_px_;
};

// Visits every pair of stars within reach, both ways round, by a sweep over the rows.
template <class Visitor>
void for_each_neighbour(const std::vector<Work>& works, double reach_px, Visitor&& visit) {
  std::vector<std::size_t> order(works.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(),
            [&](std::size_t a, std::size_t b) { return works[a].star.y_px < works[b].star.y_px; });
  std::size_t begin = 0;
  for (std::size_t k = 0; k < order.size(); ++k) {
    const Work& here = works[order[k]];
    while (works[order[begin]].star.y_px < here.star.y_px - reach_px) ++begin;
    for (std::size_t j = begin; j < k; ++j) {
      const Work& other = works[order[j]];
      if (std::abs(other.star.x_px - here.star.x_px) > reach_px) continue;
      const double distance =
          std::hypot(other.star.x_px - here.star.x_px, other.star.y_px - here.star.y_px);
      if (distance > reach_px) continue;
      visit(order[k], order[j], distance);
      visit(order[j], order[k], distance);
    }
  }
}

void mark_blends(const GrowthProfile& profile, std::vector<Work>& works,
                 double widest_aperture_px) {
  for (Work& w : works) w.star.blended = false;
  for_each_neighbour(
      works, 3 * widest_aperture_px, [&](std::size_t i, std::size_t j, double distance) {
        Work& here = works[i];
        const Work& other = works[j];
        if (!here.measured || !other.measured || here.defect || other.defect) return;
        const double aperture = here.star.aperture_px;
        // The neighbour's light inside the aperture: all of it when its centre is inside, else what
        // lies beyond the gap, in the aperture's share of the circle.
        double share = 1.0;
        if (distance > aperture) {
          share = (1 - profile.fraction((distance - aperture) / std::max(other.size_px, 0.3))) *
                  std::min(0.5, aperture / (std::numbers::pi * distance) * 1.5);
        }
        if (share * other.star.flux_adu > kBlendFraction * here.star.flux_adu)
          here.star.blended = true;
      });
}

// The mesh is good to some hundredths of the noise: 4096 pixels a cell, smoothed over nine cells,
// and the stars' far wings in it.
constexpr double kMeshSigma = 0.02;

// A straight line through points with errors, Huber-weighted against neighbours in the annuli.
struct Line {
  double intercept = 0;
  double slope = 0;
  double scatter2 = 0;  // variance beyond the points' own
  double intercept_sigma = 0;
};

Line robust_line(const std::vector<double>& x, const std::vector<double>& y,
                 const std::vector<double>& variance) {
  constexpr double kHuber = 1.345;
  Line line{median(y), 0, 0, 0};
  std::vector<double> residual(y.size());
  for (int round = 0; round < 20; ++round) {
    for (std::size_t i = 0; i < y.size(); ++i) {
      residual[i] = y[i] - line.intercept - line.slope * x[i];
    }
    const double spread = robust_sigma(residual);
    // The square of a robust spread of n values is itself known to 2.3 / sqrt(n): scatter within
    // two such errors of the points' own variance is none.
    const double allowed = 1 + 4.6 / std::sqrt(static_cast<double>(y.size()));
    line.scatter2 = std::max(0.0, spread * spread - allowed * median(variance));
    double w0 = 0;
    double wx = 0;
    double wy = 0;
    double wxx = 0;
    double wxy = 0;
    for (std::size_t i = 0; i < y.size(); ++i) {
      const double v = variance[i] + line.scatter2;
      const double z = std::abs(residual[i]) / std::sqrt(v);
      const double w = (z > kHuber ? kHuber / z : 1.0) / v;
      w0 += w;
      wx += w * x[i];
      wy += w * y[i];
      wxx += w * x[i] * x[i];
      wxy += w * x[i] * y[i];
    }
    const double determinant = w0 * wxx - wx * wx;
    if (!(determinant > 1e-12 * w0 * wxx)) return line;
    line.slope = (w0 * wxy - wx * wy) / determinant;
    line.intercept = (wxx * wy - wx * wxy) / determinant;
    line.intercept_sigma = std::sqrt(wxx / determinant);
  }
  return line;
}

// Each star's sky pedestal over the mesh. An annulus shows the common pedestal and the star's own
// wings, which go with its light: a line in the light tells the two apart. A star's departure from
// the line counts as its sky as far as departures scatter more than their errors (empirical Bayes:
// a smooth sky trusts the mesh, a nebula the annulus).
std::vector<SkyOffset> sky_offsets(const std::vector<Work>& works, double noise_adu) {
  constexpr std::size_t kFewest = 8;
  std::vector<double> light;
  std::vector<double> value;
  std::vector<double> variance;
  for (const Work& w : works) {
    if (!w.offset || !w.measured || w.defect || w.star.blended || w.star.saturated) continue;
    light.push_back(w.star.flux_adu);
    value.push_back(w.offset->value_adu);
    variance.push_back(w.offset->sigma_adu * w.offset->sigma_adu);
  }
  std::vector<SkyOffset> result(works.size());
  if (value.size() < kFewest) {
    // Too few to learn from, and an annulus alone would count its star's wings as sky: the mesh.
    for (SkyOffset& sky : result) sky.sigma_adu = kMeshSigma * noise_adu;
    return result;
  }
  const double unit = median(light);
  for (double& l : light) l /= unit;
  Line line = robust_line(light, value, variance);
  // The annuli correct the mesh as far as they know better.
  const double mesh_sigma = kMeshSigma * noise_adu;
  const double gain = mesh_sigma * mesh_sigma /
                      (mesh_sigma * mesh_sigma + line.intercept_sigma * line.intercept_sigma);
  line.intercept *= gain;
  line.intercept_sigma *= std::sqrt(gain);
  for (std::size_t i = 0; i < works.size(); ++i) {
    const Work& w = works[i];
    if (!w.offset || !w.measured) {
      result[i] = {line.intercept, std::hypot(line.intercept_sigma, std::sqrt(line.scatter2))};
      continue;
    }
    const double e2 = w.offset->sigma_adu * w.offset->sigma_adu;
    const double trust = line.scatter2 + e2 > 0 ? line.scatter2 / (line.scatter2 + e2) : 0.0;
    const double own = w.offset->value_adu - line.slope * w.star.flux_adu / unit;
    result[i] = {std::lerp(line.intercept, own, trust),
                 std::hypot((1 - trust) * line.intercept_sigma, std::sqrt(trust * e2))};
  }
  return result;
}

// Bright, lonely, whole stars for the stack, brightest first.
std::vector<std::size_t> stack_members(const std::vector<Work>& works) {
  constexpr double kLonelyReach = 0.6 * kStackReach;  // half-flux radii without a notable neighbour
  constexpr double kNotable = 0.05;
  constexpr std::size_t kEnough = 5;
  std::vector<bool> lonely(works.size(), true);
  double widest = 0;
  for (const Work& w : works) widest = std::max(widest, w.measured ? w.size_px : 0.0);
  for_each_neighbour(works, kLonelyReach * widest,
                     [&](std::size_t i, std::size_t j, double distance) {
                       if (works[j].measured && distance < kLonelyReach * works[i].size_px &&
                           works[j].star.flux_adu > kNotable * works[i].star.flux_adu) {
                         lonely[i] = false;
                       }
                     });
  std::vector<std::size_t> members;
  for (const bool only_lonely : {true, false}) {
    members.clear();
    for (std::size_t i = 0; i < works.size(); ++i) {
      const Work& w = works[i];
      if (!w.measured || w.defect || w.star.saturated || w.star.blended || w.star.at_edge ||
          w.star.extended || (only_lonely && !lonely[i])) {
        continue;
      }
      members.push_back(i);
    }
    if (members.size() >= kEnough) break;
  }
  std::sort(members.begin(), members.end(),
            [&](std::size_t a, std::size_t b) { return works[a].star.snr > works[b].star.snr; });
  if (members.size() > kStackStars) members.resize(kStackStars);
  // Stars far fainter than the best add noise and no knowledge.
  while (members.size() > kEnough &&
         works[members.back()].star.snr < 0.25 * works[members.front()].star.snr) {
    members.pop_back();
  }
  return members;
}

std::optional<GrowthProfile> stack(const Context& context, const std::vector<Work>& works,
                                   const std::vector<SkyOffset>& sky) {
  const std::vector<std::size_t> members = stack_members(works);
  std::vector<GrowthCurve> curves;
  std::vector<stars::ProfileStar> stacked;
  curves.reserve(members.size());
  for (const std::size_t i : members) {
    const Centre centre{works[i].star.x_px, works[i].star.y_px};
    const double reach = std::max(kStackReach * works[i].size_px, 6.0);
    Stamp stamp = cut_stamp(context, centre, reach);
    repair_stamp(stamp, context.sky->noise_adu(centre.x_px, centre.y_px));
    for (float& p : stamp.pixels) p -= static_cast<float>(sky[i].value_adu);
    curves.emplace_back(stamp, centre.x_px, centre.y_px, reach, works[i].size_px);
    stacked.push_back({&curves.back(), works[i].size_px, std::sqrt(pixel_variance(context, centre)),
                       sky[i].sigma_adu});
  }
  return stars::stacked_profile(stacked);
}

void classify(std::vector<Work>& works, const SizeByPlace& size_by_place) {
  constexpr double kTooSmall = 0.55;
  constexpr double kTooLarge = 1.8;
  for (Work& w : works) {
    w.defect = false;
    w.star.extended = false;
    if (!w.measured) continue;
    const double expected = size_by_place.at(w.star.x_px, w.star.y_px);
    const double allowance = 3 * w.star.hfr_sigma_px.value_or(0);
    w.defect = w.size_px < std::max(kTooSmall * expected - allowance, kFewestSizePx);
    w.star.extended = w.size_px > kTooLarge * expected + allowance;
  }
}

bool in_region(const Star& star, const std::optional<Region>& region) {
  return !region || (star.x_px >= region->x_px && star.y_px >= region->y_px &&
                     star.x_px < region->x_px + region->width_px &&
                     star.y_px < region->y_px + region->height_px);
}

// Stars that the frame's sizes rest on: the clean ones, or, where there are fewer than five,
// blended and faint ones too.
std::vector<const Work*> summary_stars(const std::vector<Work>& works,
                                       const MeasureOptions& options) {
  constexpr std::size_t kEnough = 5;
  std::vector<const Work*> chosen;
  struct Grade {
    double snr;
    bool blends;
  };
  for (const Grade grade :
       {Grade{kSummarySnr, false}, Grade{kSummarySnr, true}, Grade{0.0, true}}) {
    chosen.clear();
    for (const Work& w : works) {
      const Star& s = w.star;
      if (!w.measured || w.defect || s.saturated || s.at_edge || s.extended || !s.hfr_sigma_px ||
          !in_region(s, options.region))
        continue;
      if (s.snr < grade.snr || (s.blended && !grade.blends)) continue;
      chosen.push_back(&w);
    }
    if (chosen.size() >= kEnough) break;
  }
  return chosen;
}

// `pick` gives value and sigma of a star, or nothing.
template <class Pick>
std::optional<stars::RobustMean> mean_over(const std::vector<const Work*>& chosen, Pick&& pick) {
  std::vector<double> values;
  std::vector<double> sigmas;
  for (const Work* w : chosen) {
    const std::optional<std::pair<double, double>> picked = pick(*w);
    if (!picked) continue;
    values.push_back(picked->first);
    sigmas.push_back(picked->second);
  }
  return stars::robust_mean(values, sigmas);
}

void summarise(const std::vector<Work>& works, const MeasureOptions& options,
               FrameMeasurement& out) {
  const std::vector<const Work*> chosen = summary_stars(works, options);
  using Picked = std::optional<std::pair<double, double>>;
  const auto relative = [](const Work& w) { return *w.star.hfr_sigma_px / w.size_px; };
  const auto hfr = mean_over(chosen, [](const Work& w) -> Picked {
    return std::pair{*w.star.hfr_px, *w.star.hfr_sigma_px};
  });
  if (!hfr) return;
  out.star_count = static_cast<int>(hfr->count);
  out.hfr_px = hfr->value;
  out.hfr_sigma_px = hfr->sigma;
  const auto mean_radius = mean_over(chosen, [&](const Work& w) -> Picked {
    if (!w.star.mean_radius_px) return std::nullopt;
    return std::pair{*w.star.mean_radius_px, relative(w) * *w.star.mean_radius_px};
  });
  if (mean_radius) out.mean_radius_px = mean_radius->value;
  const auto fwhm = mean_over(chosen, [&](const Work& w) -> Picked {
    if (!w.star.fwhm_px) return std::nullopt;
    return std::pair{*w.star.fwhm_px, relative(w) * *w.star.fwhm_px};
  });
  if (fwhm && fwhm->count * 2 >= chosen.size()) {
    out.fwhm_px = fwhm->value;
    out.fwhm_sigma_px = fwhm->sigma;
  }
  std::vector<double> eccentricity;
  double e1 = 0;
  double e2 = 0;
  double length = 0;
  for (const Work* w : chosen) {
    if (!w->polarisation || !w->star.eccentricity) continue;
    eccentricity.push_back(*w->star.eccentricity);
    // Directions count by how far they stand out of their noise.
    const double size = std::hypot(w->polarisation->e1, w->polarisation->e2);
    const double weight = size / (size + 2 * w->polarisation_sigma) / std::max(size, 1e-9);
    e1 += weight * w->polarisation->e1;
    e2 += weight * w->polarisation->e2;
    length += weight * size;
  }
  if (eccentricity.empty()) return;
  out.eccentricity = median(eccentricity);
  if (eccentricity.size() >= 3 && length > 0) {
    const double n = static_cast<double>(eccentricity.size());
    const double resultant2 = (e1 * e1 + e2 * e2) / (length * length);
    // n random directions have a mean squared resultant of 1/n: taken out.
    const double unbiased = std::max(0.0, (n * resultant2 - 1) / (n - 1));
    out.elongation_coherence = std::sqrt(unbiased);
    out.elongation_angle_deg = stars::angle_deg_of({e1, e2});
  }
}

std::optional<double> believable_gain(const Frame& frame, const MeasureOptions& options,
                                      const SkyMap& sky) {
  if (options.gain_e_per_adu) return options.gain_e_per_adu;
  if (frame.facts.gain_e_per_adu && *frame.facts.gain_e_per_adu > 0)
    return frame.facts.gain_e_per_adu;
  // GAIN is often the camera's own setting. Photon noise of the whole level (an offset included) is
  // variance = level / gain: a gain for which the sky's noise is neither above that nor far below
  // is believed.
  const double level = sky.median_level_adu();
  const double variance = sky.median_noise_adu() * sky.median_noise_adu();
  if (frame.facts.gain_setting && *frame.facts.gain_setting > 0 && level > 0 && variance > 0) {
    const double ratio = variance * *frame.facts.gain_setting / level;
    if (ratio > 0.3 && ratio < 1.3) return frame.facts.gain_setting;
  }
  return std::nullopt;
}

FrameMeasurement described(const Frame& frame, const SkyMap& sky) {
  FrameMeasurement out;
  out.file = frame.file;
  out.width_px = frame.pixels.width_px();
  out.height_px = frame.pixels.height_px();
  out.position_steps = frame.facts.position_steps;
  out.temperature_c = frame.facts.temperature_c;
  out.filter = frame.facts.filter;
  out.exposure_s = frame.facts.exposure_s;
  out.time_utc = frame.facts.time_utc;
  out.keywords = frame.facts.keywords;
  out.background_adu = sky.median_level_adu();
  out.noise_adu = sky.median_noise_adu();
  return out;
}

std::vector<MaskedDisc> discs_of(const std::vector<Candidate>& candidates, double size_px) {
  std::vector<MaskedDisc> discs;
  discs.reserve(candidates.size());
  for (const Candidate& c : candidates) {
    // Radius at which a Moffat 3.5 star of this signal sinks to a tenth of the noise: brightness
    // falls as r^-7 from snr / 3 at the half-flux radius.
    const double brightness = std::max(1.0, c.snr / 3.0);
    const double reach = size_px * std::clamp(std::pow(10 * brightness, 1.0 / 7.0), 2.5, 6.0);
    discs.push_back({c.x_px, c.y_px, std::max(reach, 3.0)});
  }
  return discs;
}

}  // namespace

// A frame whose pixels are all alike was never exposed (a closed link, an empty buffer).
bool is_constant(const PixelBuffer& pixels) {
  std::optional<float> seen;
  std::vector<float> row(static_cast<std::size_t>(pixels.width_px()));
  for (int y = 0; y < pixels.height_px(); ++y) {
    pixels.read_row(y, 0, row);
    for (const float value : row) {
      if (!std::isfinite(value)) continue;
      if (!seen) seen = value;
      if (value != *seen) return false;
    }
  }
  return true;
}

Result<FrameMeasurement> measure_frame(const Frame& given, const MeasureOptions& options) {
  if (given.facts.bayer && given.sample_fraction == 1.0) {
    Frame colour = color_channel(given, options.channel.value_or(ColorChannel::green));
    return measure_frame(colour, options);
  }
  const Frame& frame = given;
  const auto first_sky = stars::map_sky(frame, {});
  if (!first_sky) {
    return fail(ErrorCode::no_data, frame.file + ": no pixel has a value",
                "Check the file; every pixel is blank or not a number");
  }
  if (is_constant(frame.pixels)) {
    return fail(ErrorCode::no_data, frame.file + ": all pixels have the same value",
                "Take the frame again; the camera delivered no picture");
  }
  Context context;
  context.frame = &frame;
  context.sky = &*first_sky;

  const auto detection = stars::detect(frame, *first_sky, options.detection_snr);
  FrameMeasurement out = described(frame, *first_sky);
  out.defect_count = static_cast<int>(detection.defects.size());
  constexpr double kReach = 2.0;  // kernel sigmas within which a weaker peak is the same object
  const auto probes = stars::merged(detection.candidates, 0, stars::kDetectionLevels - 1, kReach);
  const auto size = frame_size(context, probes);
  if (!size) return out;
  const Levels levels = matching_levels(*size);
  const auto candidates = stars::merged(detection.candidates, levels.first, levels.last, kReach);

  auto sky = stars::map_sky(frame, discs_of(candidates, *size));
  if (!sky) sky = first_sky;
  context.sky = &*sky;
  out.background_adu = sky->median_level_adu();
  out.noise_adu = sky->median_noise_adu();
  context.gain_e_per_adu = believable_gain(frame, options, *sky);
  context.saturation_adu = saturation_level(frame, options, candidates);

  std::vector<Work> works(candidates.size());
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    works[i].candidate = candidates[i];
    works[i].star.x_px = candidates[i].x_px;
    works[i].star.y_px = candidates[i].y_px;
  }
  // Rounds: a Gaussian's wings and one aperture first, then the stacked profile, aperture by place.
  GrowthProfile profile = GrowthProfile::gaussian();
  std::vector<SkyOffset> offsets(works.size());
  std::vector<double> apertures(works.size(), std::max(kFirstApertureOfSize * *size, 3.0));
  std::optional<double> beta;
  constexpr int kRounds = 3;
  for (int round = 0; round < kRounds; ++round) {
    const bool last = round == kRounds - 1;
    for (std::size_t i = 0; i < works.size(); ++i) {
      if (round == 0) works[i].size_px = *size;
      measure_star(context, profile, apertures[i], offsets[i], last, beta, works[i]);
    }
    const SizeByPlace by_place(out.width_px, out.height_px, *size, works);
    classify(works, by_place);
    mark_blends(profile, works, *std::max_element(apertures.begin(), apertures.end()));
    if (last) break;
    offsets = sky_offsets(works, out.noise_adu);
    if (const auto stacked = stack(context, works, offsets)) profile = *stacked;
    const double reach =
        std::clamp(profile.radius_of(kApertureFraction) / profile.radius_of(0.5), 1.5, 4.0);
    for (std::size_t i = 0; i < works.size(); ++i) {
      const double local = by_place.at(works[i].star.x_px, works[i].star.y_px);
      apertures[i] = std::max(reach * local, 2.5);
      works[i].size_px = local;
      if (!works[i].measured) {
        works[i].star.x_px = works[i].candidate.x_px;
        works[i].star.y_px = works[i].candidate.y_px;
      }
    }
    if (round == kRounds - 2) {
      // The wings' exponent, common to the frame's stars, from the brightest.
      std::vector<double> betas;
      for (const std::size_t i : stack_members(works)) {
        const Centre centre{works[i].star.x_px, works[i].star.y_px};
        const double radius = std::max(3 * works[i].size_px, 4.0);
        const Stamp stamp = cut_stamp(context, centre, radius);
        const auto fit =
            stars::fit_moffat(stamp, centre, radius, 1.9 * works[i].size_px, std::nullopt);
        if (fit) betas.push_back(std::clamp(fit->beta, 1.5, 20.0));
      }
      beta = betas.empty() ? 3.5 : median(betas);
    }
  }

  summarise(works, options, out);
  for (Work& w : works) {
    if (!w.measured) continue;
    if (w.defect) {
      ++out.defect_count;
      continue;
    }
    if (!in_region(w.star, options.region)) continue;
    out.saturated_count += w.star.saturated ? 1 : 0;
    out.stars.push_back(w.star);
  }
  std::sort(out.stars.begin(), out.stars.end(), [](const Star& a, const Star& b) {
    if (a.flux_adu != b.flux_adu) return a.flux_adu > b.flux_adu;
    return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
  });
  if (out.star_count == 0 && out.saturated_count > 0) {
    out.remarks.push_back("every star found is saturated: shorten the exposure or lower the gain");
  }
  constexpr double kUndersampledPx = 1.0;
  if (out.hfr_px && *out.hfr_px < kUndersampledPx) {
    out.remarks.push_back("undersampled: the stars' half-flux radius of " +
                          format_fixed(*out.hfr_px, 2) + " px is set by the pixel");
  }
  return out;
}

}  // namespace starwaist
