#include "stars/shape.h"

#include <ceres/tiny_solver.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

namespace starwaist::stars {
namespace {

constexpr double kWindowReachSigmas = 3.0;
constexpr std::size_t kMostFitPixels = 400;  // more add no precision worth their time

// Sums over the valid pixels under a round Gaussian window.
struct WindowSums {
  double sum = 0;  // of weight * value
  double x = 0;    // of weight * value * dx
  double y = 0;
  double xx = 0;
  double yy = 0;
  double xy = 0;
};

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
  if (x_end <= x_begin) return sums;
  const double scale = -0.5 / (window_px * window_px);
  std::vector<float> weight(static_cast<std::size_t>(x_end - x_begin));
  for (int x = x_begin; x < x_end; ++x) {
    const double dx = x - centre.x_px;
    weight[static_cast<std::size_t>(x - x_begin)] = static_cast<float>(std::exp(scale * dx * dx));
  }
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
    for (int x = first; x < end; ++x) {
      const float value = row[x];
      const float weighted =
          std::isfinite(value) ? weight[static_cast<std::size_t>(x - x_begin)] * value : 0.0F;
      const float dx = static_cast<float>(x) - cx;
      sum += weighted;
      sum_x += weighted * dx;
      sum_xx += weighted * dx * dx;
    }
    const double weight_y = std::exp(scale * dy * dy);
    sums.sum += weight_y * sum;
    sums.x += weight_y * sum_x;
    sums.y += weight_y * dy * sum;
    sums.xx += weight_y * sum_xx;
    sums.xy += weight_y * dy * sum_x;
    sums.yy += weight_y * dy * dy * sum;
  }
  return sums;
}

// Residuals of the Moffat profile over chosen pixels. Parameters: ln amplitude, ln alpha and, where
// free, ln(beta - 1), so that every step stays in range.
class MoffatResiduals {
 public:
  using Scalar = double;
  enum { NUM_PARAMETERS = Eigen::Dynamic, NUM_RESIDUALS = Eigen::Dynamic };

  MoffatResiduals(std::vector<double> square_radius, std::vector<double> value,
                  std::optional<double> beta)
      : square_radius_(std::move(square_radius)), value_(std::move(value)), beta_(beta) {}

  [[nodiscard]] int NumResiduals() const { return static_cast<int>(value_.size()); }
  [[nodiscard]] int NumParameters() const { return beta_ ? 2 : 3; }

  bool operator()(const double* p, double* residuals, double* jacobian) const {
    const double amplitude = std::exp(p[0]);
    const double square_alpha = std::exp(2 * p[1]);
    const double beta = beta_ ? *beta_ : 1.0 + std::exp(p[2]);
    const auto n = value_.size();
    for (std::size_t i = 0; i < n; ++i) {
      const double u = square_radius_[i] / square_alpha;
      const double model = amplitude * std::pow(1 + u, -beta);
      residuals[i] = model - value_[i];
      if (jacobian == nullptr) continue;
      jacobian[i] = model;
      jacobian[n + i] = model * 2 * beta * u / (1 + u);
      if (!beta_) jacobian[2 * n + i] = -model * std::log1p(u) * (beta - 1);
    }
    return std::isfinite(amplitude) && std::isfinite(square_alpha) && square_alpha > 0;
  }

 private:
  std::vector<double> square_radius_;
  std::vector<double> value_;
  std::optional<double> beta_;
};

}  // namespace

std::optional<Centre> windowed_centroid(const Stamp& stamp, Centre start, double window_px,
                                        double leash_px) {
  constexpr int kRounds = 20;
  constexpr double kSettledPx = 1e-3;
  Centre centre{start.x_px - stamp.x_begin_px, start.y_px - stamp.y_begin_px};
  const Centre anchor = centre;
  for (int round = 0; round < kRounds; ++round) {
    const WindowSums sums = window_sums(stamp, centre, window_px);
    if (!(sums.sum > 0)) return std::nullopt;
    // A star narrower than the window moves the windowed mean by less than its own offset; a
    // factor above 1 speeds that up and keeps a ring's steps below the limit of stability.
    constexpr double kGain = 1.3;
    const double step_x = kGain * sums.x / sums.sum;
    const double step_y = kGain * sums.y / sums.sum;
    centre.x_px += step_x;
    centre.y_px += step_y;
    if (!(std::hypot(centre.x_px - anchor.x_px, centre.y_px - anchor.y_px) < leash_px)) {
      return std::nullopt;
    }
    if (std::hypot(step_x, step_y) < kSettledPx) break;
  }
  return Centre{centre.x_px + stamp.x_begin_px, centre.y_px + stamp.y_begin_px};
}

std::optional<Polarisation> windowed_polarisation(const Stamp& stamp, Centre centre,
                                                  double window_px) {
  const WindowSums sums = window_sums(
      stamp, {centre.x_px - stamp.x_begin_px, centre.y_px - stamp.y_begin_px}, window_px);
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

std::optional<MoffatFit> fit_moffat(const Stamp& stamp, Centre centre, double radius_px,
                                    double start_fwhm_px, std::optional<double> beta) {
  const double cx = centre.x_px - stamp.x_begin_px;
  const double cy = centre.y_px - stamp.y_begin_px;
  std::vector<double> square_radius;
  std::vector<double> value;
  double peak = 0;
  // Every k-th pixel in both directions where the disc holds too many.
  const double area = std::numbers::pi * radius_px * radius_px;
  const int step =
      std::max(1, static_cast<int>(std::sqrt(area / static_cast<double>(kMostFitPixels))));
  for (int y = std::max(0, static_cast<int>(cy - radius_px));
       y <= std::min(stamp.height_px - 1, static_cast<int>(cy + radius_px)); y += step) {
    for (int x = std::max(0, static_cast<int>(cx - radius_px));
         x <= std::min(stamp.width_px - 1, static_cast<int>(cx + radius_px)); x += step) {
      const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
      const float v = stamp.at(x, y);
      if (r2 > radius_px * radius_px || !std::isfinite(v)) continue;
      square_radius.push_back(r2);
      value.push_back(v);
      peak = std::max<double>(peak, v);
    }
  }
  if (value.size() < 8 || !(peak > 0) || !(start_fwhm_px > 0)) return std::nullopt;
  const double start_beta = beta.value_or(3.5);
  const double start_alpha = start_fwhm_px / (2 * std::sqrt(std::exp2(1 / start_beta) - 1));
  const MoffatResiduals residuals(std::move(square_radius), std::move(value), beta);
  ceres::TinySolver<MoffatResiduals> solver;
  solver.options.max_num_iterations = 40;
  Eigen::VectorXd parameters(residuals.NumParameters());
  parameters[0] = std::log(peak);
  parameters[1] = std::log(start_alpha);
  if (!beta) parameters[2] = std::log(start_beta - 1);
  const auto summary = solver.Solve(residuals, &parameters);
  if (summary.status == ceres::TinySolver<MoffatResiduals>::HIT_MAX_ITERATIONS &&
      !(summary.final_cost < summary.initial_cost)) {
    return std::nullopt;
  }
  const double fitted_beta = beta ? *beta : 1.0 + std::exp(parameters[2]);
  // As beta grows the profile tends to a Gaussian: ln 2 / beta, kept exact by expm1.
  const double fwhm =
      2 * std::exp(parameters[1]) * std::sqrt(std::expm1(std::numbers::ln2 / fitted_beta));
  if (!std::isfinite(fwhm) || !(fwhm > 0.2) || fwhm > 2 * radius_px) return std::nullopt;
  return MoffatFit{fwhm, fitted_beta};
}

}  // namespace starwaist::stars
