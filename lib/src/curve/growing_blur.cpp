#include "curve/growing_blur.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>

#include "curve/curve_shape.h"

namespace starwaist::curve {
namespace {

// Best focus in steps, ln of the size in focus before the fog, ln of the arms' slope.
using FoggedCurve = Eigen::Vector3d;

double fogged_size(const Shape& shape, const FoggedCurve& curve, double position_steps,
                   double grown) {
  const double in_focus = std::exp(curve(1)) * grown;
  return in_focus * shape.at(std::exp(curve(2)) * (position_steps - curve(0)) / in_focus).h;
}

// Residuals of ln size over the points' relative errors.
Eigen::VectorXd fogged_residuals(const Shape& shape, const FoggedCurve& curve,
                                 const std::vector<CurvePoint>& points, const GrowingBlur& fog) {
  constexpr double kSteadiest = 0.02;  // seeing, relative
  Eigen::VectorXd residuals = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(points.size()));
  for (std::size_t i = 0; i < points.size(); ++i) {
    const CurvePoint& point = points[i];
    if (!point.used || !point.size_px) continue;
    const double model =
        fogged_size(shape, curve, point.position_steps, 1 + fog.growth * fog.thickness[i]);
    const double sigma = std::hypot(kSteadiest, point.sigma_px.value_or(0) / *point.size_px);
    residuals(static_cast<Eigen::Index>(i)) = std::log(*point.size_px / model) / sigma;
  }
  return residuals;
}

// Damped Gauss-Newton from the healthy curve.
FoggedCurve fitted(const Shape& shape, const std::vector<CurvePoint>& points,
                   const GrowingBlur& fog) {
  FoggedCurve curve(fog.best_focus_steps, std::log(fog.smallest_px / (1 + 0.5 * fog.growth)),
                    std::log(fog.slope_px_per_step));
  const double core_steps = fog.smallest_px / fog.slope_px_per_step;
  const FoggedCurve step(1e-3 * core_steps, 1e-3, 1e-3);
  Eigen::VectorXd residuals = fogged_residuals(shape, curve, points, fog);
  double damping = 1e-3;
  constexpr int kRounds = 40;
  for (int round = 0; round < kRounds; ++round) {
    Eigen::MatrixXd jacobian(residuals.size(), 3);
    for (int k = 0; k < 3; ++k) {
      FoggedCurve moved = curve;
      moved(k) += step(k);
      jacobian.col(k) = (fogged_residuals(shape, moved, points, fog) - residuals) / step(k);
    }
    Eigen::Matrix3d normal = jacobian.transpose() * jacobian;
    normal.diagonal() *= 1 + damping;
    const FoggedCurve next = curve - normal.ldlt().solve(jacobian.transpose() * residuals);
    if (!next.allFinite()) break;
    const Eigen::VectorXd tried = fogged_residuals(shape, next, points, fog);
    if (!(tried.squaredNorm() < residuals.squaredNorm())) {
      damping *= 10;
      if (damping > 1e6) break;
      continue;
    }
    const double gained = residuals.squaredNorm() - tried.squaredNorm();
    curve = next;
    residuals = tried;
    damping = std::max(1e-7, 0.2 * damping);
    if (gained < 1e-6) break;
  }
  return curve;
}

}  // namespace

std::vector<CurvePoint> without_growth(std::vector<CurvePoint> points, const GrowingBlur& fog) {
  if (fog.growth == 0) return points;
  const Shape shape = Shape::blur(SeeingProfile::kolmogorov, fog.obstruction);
  const FoggedCurve curve = fitted(shape, points, fog);
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (!points[i].size_px) continue;
    const double x = points[i].position_steps;
    const double shrinks = fogged_size(shape, curve, x, 1) /
                           fogged_size(shape, curve, x, 1 + fog.growth * fog.thickness[i]);
    points[i].size_px = *points[i].size_px * shrinks;
    if (points[i].sigma_px) points[i].sigma_px = *points[i].sigma_px * shrinks;
  }
  return points;
}

}  // namespace starwaist::curve
