#include "stars/star_shape.h"

#include <ceres/tiny_solver.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <vector>

namespace starwaist::stars {
namespace {

constexpr double kWindowReachSigmas = 3.0;
constexpr std::size_t kMostFitPixels = 400;  // more add no precision worth their time

// exp(scale (x - centre)^2) at x = begin, begin + 1 ... < end: each from the one before.
std::vector<float> gaussian_weights(int begin, int end, double centre, double scale) {
  std::vector<float> weights(static_cast<std::size_t>(end - begin));
  const double dx = begin - centre;
  double weight = std::exp(scale * dx * dx);
  double ratio = std::exp(scale * (2 * dx + 1));
  const double ratio_of_ratios = std::exp(2 * scale);
  for (float& out : weights) {
    out = static_cast<float>(weight);
    weight *= ratio;
    ratio *= ratio_of_ratios;
  }
  return weights;
}

// `centre` in stamp coordinates. The weight is a product of two one-dimensional ones, so that each
// row's sums are those of its values with weights that all rows share.
WindowSums window_sums(const Stamp& stamp, Centre centre, double window_px) {
  WindowSums sums;
  const double reach = kWindowReachSigmas * window_px;
  const int x_begin = std::max(0, static_cast<int>(std::ceil(centre.x_px - reach)));
  const int x_end = std::min(stamp.width_px, static_cast<int>(std::floor(centre.x_px + reach)) + 1);
  const int y_begin = std::max(0, static_cast<int>(std::ceil(centre.y_px - reach)));
  const int y_end =
      std::min(stamp.height_px, static_cast<int>(std::floor(centre.y_px + reach)) + 1);
  if (x_end <= x_begin || y_end <= y_begin) return sums;
  const double scale = -0.5 / (window_px * window_px);
  const std::vector<float> weight = gaussian_weights(x_begin, x_end, centre.x_px, scale);
  const std::vector<float> row_weight = gaussian_weights(y_begin, y_end, centre.y_px, scale);
  const auto cx = static_cast<float>(centre.x_px);
  for (int y = y_begin; y < y_end; ++y) {
    const double dy = y - centre.y_px;
    const double half = std::sqrt(std::max(0.0, reach * reach - dy * dy));
    const int first = std::max(x_begin, static_cast<int>(std::ceil(centre.x_px - half)));
    const int end = std::min(x_end, static_cast<int>(std::floor(centre.x_px + half)) + 1);
    const float* row = stamp.row(y);
    float sum = 0;
    float sum_x = 0;
    float sum_xx = 0;
#pragma omp simd reduction(+ : sum, sum_x, sum_xx)
    for (int x = first; x < end; ++x) {
      const float value = row[x];
      const float weighted =
          std::isfinite(value) ? weight[static_cast<std::size_t>(x - x_begin)] * value : 0.0F;
      const float dx = static_cast<float>(x) - cx;
      sum += weighted;
      sum_x += weighted * dx;
      sum_xx += weighted * dx * dx;
    }
    const double weight_y = row_weight[static_cast<std::size_t>(y - y_begin)];
    sums.sum += weight_y * sum;
    sums.x += weight_y * sum_x;
    sums.y += weight_y * dy * sum;
    sums.xx += weight_y * sum_xx;
    sums.xy += weight_y * dy * sum_x;
    sums.yy += weight_y * dy * dy * sum;
  }
  return sums;
}

// Mean of the pixels that have a value in the bin whose first is (left, top).
float bin_mean(const Stamp& stamp, int left, int top, int bin) {
  float sum = 0;
  int known = 0;
  for (int y = top; y < std::min(top + bin, stamp.height_px); ++y) {
    for (int x = left; x < std::min(left + bin, stamp.width_px); ++x) {
      if (!std::isfinite(stamp.at(x, y))) continue;
      sum += stamp.at(x, y);
      ++known;
    }
  }
  return sum / static_cast<float>(known);  // not a number where none is known
}

Stamp binned(const Stamp& stamp, int bin) {
  Stamp out;
  out.width_px = (stamp.width_px + bin - 1) / bin;
  out.height_px = (stamp.height_px + bin - 1) / bin;
  out.pixels.reserve(static_cast<std::size_t>(out.width_px) *
                     static_cast<std::size_t>(out.height_px));
  std::vector<float> sum(static_cast<std::size_t>(out.width_px) * static_cast<std::size_t>(bin),
                         std::numeric_limits<float>::quiet_NaN());
  const float share = 1.0F / static_cast<float>(bin * bin);
  for (int top = 0; top < stamp.height_px; top += bin) {
    std::copy_n(stamp.row(top), stamp.width_px, sum.begin());
    for (int y = top + 1; y < std::min(top + bin, stamp.height_px); ++y) {
      const float* row = stamp.row(y);
      for (int x = 0; x < stamp.width_px; ++x) sum[static_cast<std::size_t>(x)] += row[x];
    }
    const bool whole = top + bin <= stamp.height_px;
    for (int left = 0; left < stamp.width_px; left += bin) {
      float total = 0;
      for (int x = left; x < left + bin; ++x) total += sum[static_cast<std::size_t>(x)];
      out.pixels.push_back(whole && std::isfinite(total) ? total * share
                                                         : bin_mean(stamp, left, top, bin));
    }
  }
  return out;
}

}  // namespace

WindowedStamp::WindowedStamp(const Stamp& stamp, double window_px) : stamp_(&stamp) {
  constexpr double kBinsOfWindow = 10;
  while (bin_ < 4 && 2 * bin_ * kBinsOfWindow <= window_px) bin_ *= 2;
  if (bin_ > 1) binned_ = binned(stamp, bin_);
}

WindowSums WindowedStamp::sums(Centre centre, double window_px) const {
  const double bin = bin_;
  const auto place = [&](double px, int begin_px) { return (px - begin_px + 0.5) / bin - 0.5; };
  WindowSums sums =
      window_sums(bin_ > 1 ? binned_ : *stamp_,
                  {place(centre.x_px, stamp_->x_begin_px), place(centre.y_px, stamp_->y_begin_px)},
                  window_px / bin);
  const double own = bin_ > 1 ? sums.sum / 12 : 0.0;
  sums.x *= bin;
  sums.y *= bin;
  sums.xx = (sums.xx - own) * bin * bin;
  sums.yy = (sums.yy - own) * bin * bin;
  sums.xy *= bin * bin;
  return sums;
}

namespace {

// Pixels round a centre.
struct Disc {
  std::vector<double> square_radius;
  std::vector<double> value;
  double peak = 0;
};

Disc disc_of(const Stamp& stamp, Centre centre, double radius_px) {
  Disc disc;
  const double cx = centre.x_px - stamp.x_begin_px;
  const double cy = centre.y_px - stamp.y_begin_px;
  const double area = std::numbers::pi * radius_px * radius_px;
  const double pixels = area * stamp.own_share();
  int step = std::max(1, static_cast<int>(std::sqrt(pixels / static_cast<double>(kMostFitPixels))));
  if (stamp.own_share() < 1) step |= 1;  // an even step would meet one site of the tile alone
  for (int y = std::max(0, static_cast<int>(cy - radius_px));
       y <= std::min(stamp.height_px - 1, static_cast<int>(cy + radius_px)); y += step) {
    for (int x = std::max(0, static_cast<int>(cx - radius_px));
         x <= std::min(stamp.width_px - 1, static_cast<int>(cx + radius_px)); x += step) {
      const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
      const float v = stamp.at(x, y);
      if (r2 > radius_px * radius_px || !std::isfinite(v) || !stamp.is_own(x, y)) continue;
      disc.square_radius.push_back(r2);
      disc.value.push_back(v);
      disc.peak = std::max<double>(disc.peak, v);
    }
  }
  return disc;
}

// Residuals of the Moffat profile. Parameters: ln amplitude, ln alpha and, where free, ln(beta -
// 1), so that every step stays in range.
struct FreeMoffat {
  using Scalar = double;
  enum { NUM_PARAMETERS = 3, NUM_RESIDUALS = Eigen::Dynamic };
  const Disc& disc;

  [[nodiscard]] int NumResiduals() const { return static_cast<int>(disc.value.size()); }
  bool operator()(const double* p, double* residuals, double* jacobian) const {
    const double amplitude = std::exp(p[0]);
    const double square_alpha = std::exp(2 * p[1]);
    const double beta = 1.0 + std::exp(p[2]);
    const auto n = disc.value.size();
    for (std::size_t i = 0; i < n; ++i) {
      const double u = disc.square_radius[i] / square_alpha;
      const double model = amplitude * std::pow(1 + u, -beta);
      residuals[i] = model - disc.value[i];
      if (jacobian == nullptr) continue;
      jacobian[i] = model;
      jacobian[n + i] = model * 2 * beta * u / (1 + u);
      jacobian[2 * n + i] = -model * std::log1p(u) * (beta - 1);
    }
    return std::isfinite(amplitude) && std::isfinite(square_alpha) && square_alpha > 0;
  }
};

bool solved(const FreeMoffat& residuals, Eigen::Vector3d& p) {
  auto solver = ceres::TinySolver<FreeMoffat>();
  solver.options.max_num_iterations = 40;
  solver.options.parameter_tolerance = 1e-4;  // of the logarithms
  const auto summary = solver.Solve(residuals, &p);
  return summary.status != ceres::TinySolver<FreeMoffat>::HIT_MAX_ITERATIONS ||
         summary.final_cost < summary.initial_cost;
}

// Sums over a disc of a profile g with amplitude 1, its derivative d by ln alpha, and the values v.
// The best amplitude at a width follows from them, so that the width alone is looked for (variable
// projection; Golub & Pereyra 1973 with Kaufman's step, from memory).
struct WidthSums {
  double gg = 0;
  double gd = 0;
  double dd = 0;
  double gv = 0;
  double dv = 0;

  WidthSums(const Disc& disc, const MoffatWing& wing, double log_alpha) {
    const double inverse_square_alpha = std::exp(-2 * log_alpha);
    for (std::size_t i = 0; i < disc.value.size(); ++i) {
      const double u = disc.square_radius[i] * inverse_square_alpha;
      const double part = u / (1 + u);
      const double g = wing.at_part(part);
      const double d = g * 2 * wing.beta() * part;
      const double v = disc.value[i];
      gg += g * g;
      gd += g * d;
      dd += d * d;
      gv += g * v;
      dv += d * v;
    }
  }
  [[nodiscard]] double amplitude() const { return gv / gg; }
  // Sum of squares that the fit takes away.
  [[nodiscard]] double gain() const { return gv > 0 ? gv * gv / gg : 0.0; }
  [[nodiscard]] double step() const {
    const double a = amplitude();
    return (dv - a * gd) / (a * (dd - gd * gd / gg));
  }
};

// ln alpha of the best fit with the wing's exponent.
std::optional<double> fitted_width(const Disc& disc, const MoffatWing& wing, double log_alpha) {
  constexpr int kRounds = 40;
  constexpr double kSettled = 1e-4;
  constexpr double kLongest = 0.7;
  WidthSums here(disc, wing, log_alpha);
  double step = 0;
  for (int round = 0; round < kRounds; ++round) {
    if (!(here.gain() > 0)) return std::nullopt;
    step = std::clamp(here.step(), -kLongest, kLongest);
    if (!std::isfinite(step)) return std::nullopt;
    WidthSums next(disc, wing, log_alpha + step);
    while (!(next.gain() >= here.gain()) && std::abs(step) > kSettled) {
      step *= 0.3;
      next = WidthSums(disc, wing, log_alpha + step);
    }
    log_alpha += step;
    here = next;
    if (std::abs(step) <= kSettled) return log_alpha;
  }
  return std::nullopt;
}

constexpr std::size_t kFewestFitPixels = 8;

double alpha_of(double fwhm_px, double beta) {
  return fwhm_px / (2 * std::sqrt(std::exp2(1 / beta) - 1));
}

std::optional<MoffatFit> checked(double alpha_px, double beta, double radius_px) {
  // As beta grows the profile tends to a Gaussian: ln 2 / beta, kept exact by expm1.
  const double fwhm = 2 * alpha_px * std::sqrt(std::expm1(std::numbers::ln2 / beta));
  if (!std::isfinite(fwhm) || !(fwhm > 0.2) || fwhm > 2 * radius_px) return std::nullopt;
  return MoffatFit{fwhm, beta};
}

}  // namespace

std::optional<Centre> windowed_centroid(const WindowedStamp& stamp, Centre start, double window_px,
                                        double leash_px) {
  constexpr int kRounds = 20;
  const double settled_px = std::max(1e-3, 2e-4 * window_px);
  Centre centre = start;
  for (int round = 0; round < kRounds; ++round) {
    const WindowSums sums = stamp.sums(centre, window_px);
    if (!(sums.sum > 0)) return std::nullopt;
    const double mean_x = sums.x / sums.sum;
    const double mean_y = sums.y / sums.sum;
    // Newton's step: as the window moves by one, the mean moves against it by one less the light's
    // variance under the window in units of the window's. Noise may show any variance; a star's is
    // a quarter, a ring's up to 0.45.
    const double variance =
        0.5 * ((sums.xx + sums.yy) / sums.sum - mean_x * mean_x - mean_y * mean_y);
    const double gain = 1 / (1 - std::clamp(variance / (window_px * window_px), 0.1, 0.5));
    const double step_x = gain * mean_x;
    const double step_y = gain * mean_y;
    centre.x_px += step_x;
    centre.y_px += step_y;
    if (!(std::hypot(centre.x_px - start.x_px, centre.y_px - start.y_px) < leash_px)) {
      return std::nullopt;
    }
    if (std::hypot(step_x, step_y) < settled_px) break;
  }
  return centre;
}

std::optional<Polarisation> windowed_polarisation(const WindowedStamp& stamp, Centre centre,
                                                  double window_px) {
  const WindowSums sums = stamp.sums(centre, window_px);
  if (!(sums.sum > 0)) return std::nullopt;
  const double xx = sums.xx / sums.sum;
  const double yy = sums.yy / sums.sum;
  const double xy = sums.xy / sums.sum;
  const double determinant = xx * yy - xy * xy;
  if (!(determinant > 0) || !(xx > 0)) return std::nullopt;
  const double window = 1.0 / (window_px * window_px);
  // Inverse covariance less the window's; then back.
  const double ixx = yy / determinant - window;
  const double iyy = xx / determinant - window;
  const double ixy = -xy / determinant;
  if (!(ixx > 0) || !(iyy > 0) || !(ixx * iyy - ixy * ixy > 0)) return std::nullopt;
  // The covariance is the inverse matrix up to a common factor, which the ratio drops.
  return Polarisation{(iyy - ixx) / (ixx + iyy), -2 * ixy / (ixx + iyy)};
}

double eccentricity_of(double polarisation) {
  const double e = std::clamp(polarisation, 0.0, 1.0);
  return std::sqrt(2 * e / (1 + e));
}

double angle_deg_of(Polarisation p) {
  return 0.5 * std::atan2(p.e2, p.e1) * 180.0 / std::numbers::pi;
}

MoffatWing::MoffatWing(double beta) : beta_(beta) {
  constexpr int kSteps = 512;  // linear between them: beta^2 / (8 * 512^2)
  powers_.reserve(kSteps + 1);
  for (int i = 0; i <= kSteps; ++i) {
    powers_.push_back(std::pow(1 - static_cast<double>(i) / kSteps, beta));
  }
}

std::optional<MoffatFit> fit_moffat(const Stamp& stamp, Centre centre, double radius_px,
                                    double start_fwhm_px) {
  constexpr double kStartBeta = 3.5;
  const Disc disc = disc_of(stamp, centre, radius_px);
  if (disc.value.size() < kFewestFitPixels || !(disc.peak > 0) || !(start_fwhm_px > 0)) {
    return std::nullopt;
  }
  Eigen::Vector3d p(std::log(disc.peak), std::log(alpha_of(start_fwhm_px, kStartBeta)),
                    std::log(kStartBeta - 1));
  if (!solved(FreeMoffat{disc}, p)) return std::nullopt;
  return checked(std::exp(p[1]), 1 + std::exp(p[2]), radius_px);
}

std::optional<MoffatFit> fit_moffat(const Stamp& stamp, Centre centre, double radius_px,
                                    double start_fwhm_px, const MoffatWing& wing) {
  const Disc disc = disc_of(stamp, centre, radius_px);
  if (disc.value.size() < kFewestFitPixels || !(disc.peak > 0) || !(start_fwhm_px > 0)) {
    return std::nullopt;
  }
  const auto width = fitted_width(disc, wing, std::log(alpha_of(start_fwhm_px, wing.beta())));
  if (!width) return std::nullopt;
  return checked(std::exp(*width), wing.beta(), radius_px);
}

}  // namespace starwaist::stars
