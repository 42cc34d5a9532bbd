#include "star_truth/wave_star.h"

#include <math.h>  // j1 (POSIX)

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstddef>
#include <memory>
#include <opencv2/core.hpp>

namespace starwaist::bench::star_truth {

namespace {

constexpr int kSize = 2000;  // samples along an edge
constexpr double kRingsATerm = 16;

// Of a seeing of half-flux radius 1 (Moffat's after Trujillo et al. 2001, Kolmogorov's after Fried
// 1966, from memory).
double seeing_transfer(Seeing seeing, double frequency) {
  if (frequency <= 0) return 1;
  if (seeing == Seeing::kolmogorov) {
    return std::exp(-3.4419385911 * std::pow(frequency / Kolmogorov::kHalfFlux, 5.0 / 3));
  }
  const SeeingProfile profile{seeing, 1};
  const double order = profile.beta() - 1;
  const double x = 2 * analytic::kPi * profile.alpha_px() * frequency;
  if (x > 200) return 0;
  return 2 / std::tgamma(order) * std::pow(x / 2, order) * std::cyl_bessel_k(order, x);
}

// Share of a sample that lies within `half_width` of a line `distance` away (all in samples).
double covered(double distance, double half_width) {
  return std::clamp(std::min(distance + 0.5, half_width) - std::max(distance - 0.5, -half_width),
                    0.0, 1.0);
}

struct Pupil {
  double radius = 0;  // in samples
  double obstruction = 0;
  double half_vane = 0;  // in samples
  double waves = 0;      // of defocus at the rim

  // Two lines of vanes cross at right angles, turned so that no spike runs along the pixels.
  [[nodiscard]] double amplitude(double u, double v) const {
    const double r = std::hypot(u, v);
    double open = std::clamp(radius - r + 0.5, 0.0, 1.0);
    if (obstruction > 0) open *= std::clamp(r - obstruction * radius + 0.5, 0.0, 1.0);
    if (open <= 0 || half_vane <= 0) return open;
    constexpr double kTurn = 0.35;
    const double along = u * std::cos(kTurn) + v * std::sin(kTurn);
    const double across = v * std::cos(kTurn) - u * std::sin(kTurn);
    return open * (1 - covered(along, half_vane)) * (1 - covered(across, half_vane));
  }
};

// |Transform of the pupil|^2, unit flux, centred on sample (0, 0); `open` is the pupil's light.
cv::Mat diffraction_image(const Pupil& pupil, double& open) {
  cv::Mat field = cv::Mat::zeros(kSize, kSize, CV_64FC2);
  const int reach = static_cast<int>(pupil.radius) + 2;
  open = 0;
  for (int j = -reach; j <= reach; ++j) {
    auto* row = field.ptr<std::complex<double>>((j + kSize) % kSize);
    for (int i = -reach; i <= reach; ++i) {
      const double amplitude = pupil.amplitude(i, j);
      if (amplitude <= 0) continue;
      const double square = (i * i + j * j) / (pupil.radius * pupil.radius);
      row[(i + kSize) % kSize] = std::polar(amplitude, 2 * analytic::kPi * pupil.waves * square);
      open += amplitude * amplitude;
    }
  }
  cv::dft(field, field);
  cv::Mat image(kSize, kSize, CV_64F);
  const double scale = 1 / (open * kSize * static_cast<double>(kSize));  // Parseval
  for (int y = 0; y < kSize; ++y) {
    const auto* row = field.ptr<std::complex<double>>(y);
    for (int x = 0; x < kSize; ++x) image.at<double>(y, x) = scale * std::norm(row[x]);
  }
  return image;
}

// A spectrum summed over directions, and what is read off it.
struct Rings {
  std::vector<double> sum;
  double step_per_px = 0;

  [[nodiscard]] double enclosed(double r_px) const {
    double light = sum[0] * analytic::kPi * r_px * r_px;
    for (std::size_t i = 1; i < sum.size(); ++i) {
      if (std::abs(sum[i]) < 1e-18) continue;
      const double nu = step_per_px * static_cast<double>(i);
      light += sum[i] * r_px / nu * ::j1(2 * analytic::kPi * nu * r_px);
    }
    return light;
  }
  [[nodiscard]] double half_flux_radius() const {
    double low = 0;
    double high = 150;
    for (int step = 0; step < 40; ++step) {
      const double middle = 0.5 * (low + high);
      (enclosed(middle) < 0.5 ? low : high) = middle;
    }
    return 0.5 * (low + high);
  }
};

// Takes the pixel into the spectrum.
void add_pixel(cv::Mat& spectrum, int samples_per_px) {
  std::vector<double> pixel(kSize);
  for (int i = 0; i < kSize; ++i) {
    const double nu = samples_per_px * static_cast<double>(std::min(i, kSize - i)) / kSize;
    const double x = analytic::kPi * nu;
    pixel[static_cast<std::size_t>(i)] = x > 0 ? std::sin(x) / x : 1.0;
  }
  for (int y = 0; y < kSize; ++y) {
    auto* row = spectrum.ptr<std::complex<double>>(y);
    for (int x = 0; x < kSize; ++x) {
      row[x] *= pixel[static_cast<std::size_t>(x)] * pixel[static_cast<std::size_t>(y)];
    }
  }
}

Rings rings_of(const cv::Mat& spectrum, int samples_per_px) {
  const double extent_px = static_cast<double>(kSize) / samples_per_px;
  Rings rings;
  rings.step_per_px = 1 / (extent_px * kRingsATerm);
  rings.sum.assign(static_cast<std::size_t>(kRingsATerm * kSize * 0.75), 0.0);
  const double scale = 1 / (extent_px * extent_px);
  for (int y = 0; y < kSize; ++y) {
    const auto* row = spectrum.ptr<std::complex<double>>(y);
    for (int x = 0; x < kSize; ++x) {
      const double place = kRingsATerm * std::hypot(std::min(x, kSize - x), std::min(y, kSize - y));
      const auto ring = static_cast<std::size_t>(place);
      const double share = place - static_cast<double>(ring);
      rings.sum[ring] += (1 - share) * scale * row[x].real();
      rings.sum[ring + 1] += share * scale * row[x].real();
    }
  }
  return rings;
}

Rings with_seeing(const Rings& optics, Seeing seeing, double seeing_px) {
  Rings rings = optics;
  for (std::size_t i = 0; i < rings.sum.size(); ++i) {
    const double nu = rings.step_per_px * static_cast<double>(i);
    const double transfer = seeing_transfer(seeing, nu * seeing_px);
    if (transfer < 1e-12) {
      rings.sum.resize(i + 1);
      break;
    }
    rings.sum[i] *= transfer;
  }
  return rings;
}

// Takes the seeing into the spectrum, by a table over the frequency.
void add_seeing(cv::Mat& spectrum, int samples_per_px, const WaveKind& kind, double seeing_px) {
  std::vector<double> table(static_cast<std::size_t>(4 * kSize));
  const double step = samples_per_px / (4.0 * kSize);
  for (std::size_t i = 0; i < table.size(); ++i) {
    table[i] = seeing_transfer(kind.seeing, step * static_cast<double>(i) * seeing_px);
    if (table[i] < 1e-12) break;
  }
  for (int y = 0; y < kSize; ++y) {
    auto* row = spectrum.ptr<std::complex<double>>(y);
    for (int x = 0; x < kSize; ++x) {
      const double place = 4 * std::hypot(std::min(x, kSize - x), std::min(y, kSize - y));
      const auto i = static_cast<std::size_t>(place);
      row[x] *= std::lerp(table[i], table[i + 1], place - static_cast<double>(i));
    }
  }
}

// Samples a pixel: as fine as the square allows that must hold the star.
int samples_for(const WaveKind& kind) {
  const double width_px = 2 * kind.ring_px + 24 * std::max(kind.seeing_px, kind.size_px);
  return std::clamp(static_cast<int>(kSize / std::max(width_px, 400.0)), 2, 5);
}

double seeing_for(const Rings& optics, const WaveKind& kind) {
  if (kind.size_px <= 0) return kind.seeing_px;
  return analytic::solve_rising(
      [&](double s) { return with_seeing(optics, kind.seeing, s).half_flux_radius(); },
      kind.size_px, 0.1, 1.5 * kind.size_px);
}

}  // namespace

WaveStar::WaveStar(const WaveKind& kind) : samples_per_px_(samples_for(kind)), size_(kSize) {
  Pupil pupil;
  pupil.radius = 0.5 * kSize / (samples_per_px_ * kind.lambda_n_px);
  pupil.obstruction = kind.obstruction;
  pupil.half_vane = kind.vane_width * pupil.radius;
  pupil.waves = kind.ring_px / (4 * kind.lambda_n_px);
  double open = 0;
  const cv::Mat image = diffraction_image(pupil, open);
  vane_share_ = 1 - open / (analytic::kPi * pupil.radius * pupil.radius *
                            (1 - kind.obstruction * kind.obstruction));
  cv::Mat spectrum;
  cv::dft(image, spectrum, cv::DFT_COMPLEX_OUTPUT);
  add_pixel(spectrum, samples_per_px_);
  const Rings optics = rings_of(spectrum, samples_per_px_);
  const double seeing_px = seeing_for(optics, kind);
  const auto rings = std::make_shared<const Rings>(with_seeing(optics, kind.seeing, seeing_px));
  add_seeing(spectrum, samples_per_px_, kind, seeing_px);
  cv::Mat pixels;
  cv::dft(spectrum, pixels, cv::DFT_INVERSE | cv::DFT_SCALE | cv::DFT_REAL_OUTPUT);
  const int per_px = samples_per_px_ * samples_per_px_;
  double squares = 0;
  for (int y = 0; y < kSize; ++y) {
    for (int x = 0; x < kSize; ++x) {
      const double flux =
          per_px * pixels.at<double>((y + kSize / 2) % kSize, (x + kSize / 2) % kSize);
      values_.push_back(static_cast<float>(flux));
      squares += flux * flux / per_px;
    }
  }
  hfr_px = rings->half_flux_radius();
  constexpr double kDelta = 0.02;
  slope_per_px =
      (rings->enclosed(hfr_px + kDelta) - rings->enclosed(hfr_px - kDelta)) / (2 * kDelta);
  noise_area_px2 = 1 / squares;
  body_px = std::max(4.0, kind.ring_px + 2 * seeing_px);
  enclosed = [rings](double r) { return rings->enclosed(r); };
}

void WaveStar::draw(analytic::Image& image, double x_px, double y_px, double flux) const {
  const int half = size_ / 2;
  const int at_x = static_cast<int>(std::lround(x_px * samples_per_px_));
  const int at_y = static_cast<int>(std::lround(y_px * samples_per_px_));
  for (int y = 0; y < image.height_px; ++y) {
    const int j = y * samples_per_px_ - at_y + half;
    if (j < 0 || j >= size_) continue;
    for (int x = 0; x < image.width_px; ++x) {
      const int i = x * samples_per_px_ - at_x + half;
      if (i < 0 || i >= size_) continue;
      const auto at = static_cast<std::size_t>(j) * static_cast<std::size_t>(size_) +
                      static_cast<std::size_t>(i);
      image.at(x, y) += static_cast<float>(flux) * values_[at];
    }
  }
}

}  // namespace starwaist::bench::star_truth
