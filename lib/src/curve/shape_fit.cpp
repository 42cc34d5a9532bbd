#include "curve/shape_fit.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <optional>

#include "numerics/small_cholesky.h"

namespace starwaist::curve {
namespace {

// Squares of a hyperbola are a parabola: a linear fit of y^2 gives all three parameters.
std::optional<Eigen::Vector3d> start_from_squares(const Samples& s) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < s.count(); ++i) {
    const double w = s.weight[i] / (2 * s.y[i]);  // sigma of y^2 is 2 y sigma
    const Eigen::Vector3d row = Eigen::Vector3d(1, s.t[i], s.t[i] * s.t[i]) * w;
    normal += row * row.transpose();
    right += row * (s.y[i] * s.y[i] * w);
  }
  const Eigen::Vector3d c = normal.ldlt().solve(right);
  if (!c.allFinite() || !(c[2] > 1e-9)) return std::nullopt;
  const double t0 = -c[1] / (2 * c[2]);
  const double smallest_square = c[0] - c[1] * c[1] / (4 * c[2]);
  const double smallest_seen = *std::min_element(s.y.begin(), s.y.end());
  const double h0 = smallest_square > 0 ? std::sqrt(smallest_square) : 0.5 * smallest_seen;
  return Eigen::Vector3d(std::clamp(t0, -3.0, 3.0), std::log(h0), 0.5 * std::log(c[2]));
}

// The mean position of the smallest sizes, for runs whose squares are not a parabola.
Eigen::Vector3d start_from_smallest(const Samples& s) {
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (s.weight[i] > 0) order.push_back(i);
  }
  const std::size_t few = std::min<std::size_t>(3, order.size());
  std::partial_sort(order.begin(), order.begin() + static_cast<std::ptrdiff_t>(few), order.end(),
                    [&](std::size_t a, std::size_t b) { return s.y[a] < s.y[b]; });
  double t0 = 0;
  for (std::size_t i = 0; i < few; ++i) t0 += s.t[order[i]] / static_cast<double>(few);
  double steepest = 1e-3;
  const double h0 = s.y[order.front()];
  for (const std::size_t i : order) {
    const double distance = std::abs(s.t[i] - t0);
    if (distance > 0.2) steepest = std::max(steepest, (s.y[i] - h0) / distance);
  }
  return {t0, std::log(h0), std::log(steepest)};
}

}  // namespace

double bounded_exp(double logarithm) { return std::exp(std::clamp(logarithm, -12.0, 12.0)); }

double log_small_size(const Samples& samples) {
  double smallest = std::numeric_limits<double>::infinity();
  double second = smallest;
  for (std::size_t i = 0; i < samples.count(); ++i) {
    if (!(samples.weight[i] > 0)) continue;
    second = std::min(second, std::max(smallest, samples.y[i]));
    smallest = std::min(smallest, samples.y[i]);
  }
  return std::isfinite(second) ? std::log(second) : 0.0;
}

CurveValue curve_at(const Shape& shape, const ShapeParameters& p, double t) {
  const double u = bounded_exp(p[2]) * (t - p[0]) / bounded_exp(p[1]);
  const LopsidedValue v = shape.at(u, p[3]);
  return {v.h, u, v.slope, v.by_a};
}

void ShapeResiduals::evaluate(double t0, const double* rest, double* residuals, double* by_t0,
                              double* by_rest) const {
  const std::size_t n = samples_.count();
  const std::size_t rows = n + 2;
  const double h0 = bounded_exp(rest[0]);
  const double k = bounded_exp(rest[1]);
  const double a = rest[2];
  for (std::size_t i = 0; i < n; ++i) {
    const double w = samples_.weight[i];
    const double reach = k * (samples_.t[i] - t0);
    const double u = reach / h0;
    const LopsidedValue v = shape_.at(u, a);
    residuals[i] = w * (h0 * v.h - samples_.y[i]);
    if (by_t0 != nullptr) by_t0[i] = -w * k * v.slope;
    if (by_rest != nullptr) {
      by_rest[i] = w * h0 * (v.h - u * v.slope);
      by_rest[rows + i] = w * reach * v.slope;
      by_rest[2 * rows + i] = w * h0 * v.by_a;
    }
  }
  const double below = least_log_ - rest[0];
  residuals[n] = below > 0 ? -below / kSizeSpread : 0;
  residuals[n + 1] = a / sigma_a_;
  if (by_t0 != nullptr) by_t0[n] = by_t0[n + 1] = 0;
  if (by_rest != nullptr) {
    for (std::size_t j = 0; j < 3; ++j) by_rest[j * rows + n] = by_rest[j * rows + n + 1] = 0;
    by_rest[n] = below > 0 ? 1 / kSizeSpread : 0;
    by_rest[2 * rows + n + 1] = 1 / sigma_a_;
  }
}

ShapeResiduals::Sums ShapeResiduals::sums(const ShapeParameters& p) const {
  const std::size_t n = samples_.count();
  const double h0 = bounded_exp(p[1]);
  const double k = bounded_exp(p[2]);
  const double steepness = k / h0;
  // Lower triangle row by row, then the gradient, then the squares.
  double s00 = 0, s10 = 0, s11 = 0, s20 = 0, s21 = 0, s22 = 0, s30 = 0, s31 = 0, s32 = 0, s33 = 0;
  double g0 = 0, g1 = 0, g2 = 0, g3 = 0, squares = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double w = samples_.weight[i];
    if (w == 0) continue;
    const double distance = samples_.t[i] - p[0];
    const double u = steepness * distance;
    const LopsidedValue v = shape_.at(u, p[3]);
    const double wh = w * h0;
    const double r = wh * v.h - w * samples_.y[i];
    const double j0 = -w * k * v.slope;
    const double j1 = wh * (v.h - u * v.slope);
    const double j2 = wh * u * v.slope;
    const double j3 = wh * v.by_a;
    s00 += j0 * j0;
    s10 += j1 * j0;
    s11 += j1 * j1;
    s20 += j2 * j0;
    s21 += j2 * j1;
    s22 += j2 * j2;
    s30 += j3 * j0;
    s31 += j3 * j1;
    s32 += j3 * j2;
    s33 += j3 * j3;
    g0 += j0 * r;
    g1 += j1 * r;
    g2 += j2 * r;
    g3 += j3 * r;
    squares += r * r;
  }
  const double below = least_log_ - p[1];
  if (below > 0) {
    constexpr double kPrecision = 1 / (kSizeSpread * kSizeSpread);
    s11 += kPrecision;
    g1 -= below * kPrecision;
    squares += below * below * kPrecision;
  }
  const double precision_a = 1 / (sigma_a_ * sigma_a_);
  s33 += precision_a;
  g3 += p[3] * precision_a;
  squares += p[3] * p[3] * precision_a;
  Sums sums;
  sums.information << s00, s10, s20, s30, s10, s11, s21, s31, s20, s21, s22, s32, s30, s31, s32,
      s33;
  sums.gradient << g0, g1, g2, g3;
  sums.squares = squares;
  return sums;
}

ShapeFit ShapeFitter::fit(const Samples& samples) {
  std::array<std::optional<Eigen::Vector3d>, 2> starts{start_from_squares(samples),
                                                       start_from_smallest(samples)};
  const ShapeResiduals residuals(samples, shape_, sigma_a_);
  ShapeFit best;
  for (const auto& start : starts) {
    if (!start) continue;
    ShapeParameters first;
    first << *start, 0.0;
    const ShapeFit fit = free_.minimise(residuals, first, ShapeParameters::Ones(),
                                        {.step_tolerance = kSquaresTolerance});
    if (fit.usable && fit.sum_of_squares < best.sum_of_squares) best = fit;
  }
  if (!best.usable) return best;
  return refit(samples, best);
}

namespace {

// A search from near ends with the step that lowers the squares by less than this part of them
// (about the square of the step in sigmas), or moves the parameters by less than that part.
constexpr double kLastGain = 1e-6;
constexpr double kLastStep = 1e-9;
constexpr int kMostSteps = 10;
constexpr int kMostHalvings = 3;
// Part of a diagonal element that the others leave, below which rounding rules: the general solver
// factors the Jacobian itself.
constexpr double kLeastPivot = 1e-10;

std::optional<ShapeFit> fit_from_near(const ShapeResiduals& residuals,
                                      const ShapeParameters& start) {
  ShapeFit fit;
  fit.parameters = start;
  ShapeParameters last_step = ShapeParameters::Zero();
  int halvings = 0;
  for (int i = 0; i < kMostSteps; ++i) {
    const ShapeResiduals::Sums sums = residuals.sums(fit.parameters);
    if (!(sums.squares <= fit.sum_of_squares)) {  // too far
      if (i == 0 || ++halvings > kMostHalvings) return std::nullopt;
      last_step *= 0.5;
      fit.parameters += last_step;
      continue;
    }
    const numerics::SmallCholesky<kShapeParameters> factor(sums.information);
    if (!(factor.least_pivot() > kLeastPivot)) return std::nullopt;
    const ShapeParameters half = factor.forward(sums.gradient);
    const ShapeParameters step = factor.backward(half);
    const double gain = half.squaredNorm();
    const double before = fit.parameters.squaredNorm();
    fit.parameters -= step;
    last_step = step;
    fit.sum_of_squares = sums.squares;
    if (gain > kLastGain * sums.squares && step.squaredNorm() > kLastStep * kLastStep * before) {
      continue;
    }
    fit.sum_of_squares = std::max(sums.squares - gain, 0.0);
    fit.unscaled_covariance = factor.inverse();
    fit.log_det_information = std::log(factor.determinant());
    fit.usable = fit.parameters.allFinite() && std::isfinite(fit.log_det_information);
    return fit;
  }
  return std::nullopt;
}

}  // namespace

ShapeFit ShapeFitter::refit(const Samples& samples, const ShapeFit& start) {
  const ShapeResiduals residuals(samples, shape_, sigma_a_);
  if (auto fit = fit_from_near(residuals, start.parameters)) return *fit;
  return free_.solve(residuals, start.parameters, ShapeParameters::Ones(),
                     {.step_tolerance = kShapeTolerance});
}

ProfilePoint ShapeFitter::profile_at(const Samples& samples, double t0, HeldParameters& start,
                                     double close_enough) {
  const ShapeResiduals residuals(samples, shape_, sigma_a_);
  constexpr int kHeld = kShapeParameters - 1;
  ShapeParameters p;
  p << t0, start;
  double last = std::numeric_limits<double>::infinity();
  for (int i = 0; i < kMostSteps; ++i) {
    const ShapeResiduals::Sums sums = residuals.sums(p);
    if (!(sums.squares <= last)) break;
    last = sums.squares;
    const numerics::SmallCholesky<kHeld> factor(sums.information.bottomRightCorner<kHeld, kHeld>());
    if (!(factor.least_pivot() > kLeastPivot)) break;
    const HeldParameters half = factor.forward(sums.gradient.tail<kHeld>());
    const HeldParameters step = factor.backward(half);
    const double gain = half.squaredNorm();
    p.tail<kHeld>() -= step;
    if (gain > close_enough) continue;
    start = p.tail<kHeld>();
    return {std::max(sums.squares - gain, 0.0),
            2 * (sums.gradient[0] - sums.information.col(0).tail<kHeld>().dot(step))};
  }
  const auto fit = held_.minimise(ShapeResidualsAt(residuals, t0), start, HeldParameters::Ones(),
                                  {.step_tolerance = kSquaresTolerance});
  if (fit.usable) start = fit.parameters;
  p << t0, start;
  return {fit.sum_of_squares, 2 * residuals.sums(p).gradient[0]};
}

double ShapeFitter::sum_of_squares_at(const Samples& samples, double t0, HeldParameters& start) {
  ShapeParameters p;
  p << t0, start;
  constexpr double kRelative = 1e-6;
  const double about = ShapeResiduals(samples, shape_, sigma_a_).sums(p).squares;
  return profile_at(samples, t0, start, kRelative * about).squares;
}

double shape_size(const Shape& shape, const ShapeParameters& p, double t) {
  return bounded_exp(p[1]) * curve_at(shape, p, t).h;
}

}  // namespace starwaist::curve
