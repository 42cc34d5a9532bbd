#include "field/field_shape.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>

#include "numerics/normal_equations.h"

namespace starwaist::over_field {

double offset_of(const StarInFrame& row, const Eigen::Vector3d& shape) {
  return shape(0) * row.shapes[0] + shape(1) * row.shapes[1] + shape(2) * row.shapes[2];
}

FieldShape fit_shape(const StarsOfField& data, const StarCurve& curve,
                     const Eigen::Vector3d& start) {
  const auto n = static_cast<Eigen::Index>(data.rows.size());
  FieldShape state;
  state.shape = start;
  constexpr int kRounds = 12;
  constexpr double kSharpness = 0.2;  // relative, over the field: of a fast reflector's corners
  FieldProblem problem;
  problem.prior = Eigen::VectorXd::Zero(2 * kShapes);
  problem.prior.tail(kShapes).setConstant(1 / (kSharpness * kSharpness));
  for (int round = 0; round < kRounds; ++round) {
    problem.columns.resize(n, 2 * kShapes);
    problem.target.resize(n);
    for (Eigen::Index k = 0; k < n; ++k) {
      const StarInFrame& row = data.rows[static_cast<std::size_t>(k)];
      const double offset = offset_of(row, state.shape);
      const double place = data.position_steps[row.frame] - offset;
      const double by_offset = -curve.slope(place);
      const double share = curve.sharpness_share(place);
      for (int c = 0; c < kShapes; ++c) {
        problem.columns(k, c) = by_offset * row.shapes[static_cast<std::size_t>(c)];
        problem.columns(k, kShapes + c) = share * row.shapes[static_cast<std::size_t>(c)];
      }
      problem.target(k) = row.log_size - curve.log_size(place) + by_offset * offset;
    }
    state.solution = fit_field(data, problem);
    problem.scatter2 = state.solution.scatter2;
    Eigen::Vector3d step = state.solution.values.head<3>() - state.shape;
    const double longest = step.cwiseAbs().maxCoeff();
    const double leash = 1.5 * curve.core_steps();
    if (longest > leash) step *= leash / longest;
    state.shape += step;
    if (longest < 1e-3 * curve.core_steps()) break;
  }
  return state;
}

double gradient_excess(const StarsOfField& data, const FieldShape& state, double degrees) {
  const std::size_t frames = data.position_steps.size();
  constexpr int kTerms = kShapes + 1;
  using Plane = numerics::NormalEquations<kTerms>;
  std::vector<Plane> planes(frames);
  for (std::size_t k = 0; k < data.rows.size(); ++k) {
    const StarInFrame& row = data.rows[k];
    const auto at = static_cast<Eigen::Index>(k);
    planes[row.frame].add({1, row.shapes[0], row.shapes[1], row.shapes[2]},
                          state.solution.residuals(at), state.solution.weights(at));
  }
  double chi2 = 0;
  for (const Plane& plane : planes) {
    const Plane::Matrix inverse = (plane.information + 1e-9 * Plane::Matrix::Identity()).inverse();
    const Plane::Vector slope = inverse * plane.right;
    const Eigen::Matrix3d of_slopes = inverse.bottomRightCorner<3, 3>();
    const Eigen::Vector3d s = slope.tail<3>();
    chi2 += s.dot(of_slopes.inverse() * s);
  }
  return std::max(1.0, chi2 / degrees);
}

std::optional<StarCurve> curve_of_centre(const StarsOfField& data, const FieldShape& state,
                                         const StarCurve& curve, const Rig& rig) {
  std::vector<CurvePoint> points;
  // The frames' constants are known but for one, which the mean over frames of the sizes gives.
  double mean_log = 0;
  for (const StarInFrame& row : data.rows) mean_log += row.log_size;
  mean_log /= static_cast<double>(data.rows.size());
  std::vector<double> logs;
  for (std::size_t i = 0; i < data.position_steps.size(); ++i) {
    logs.push_back(state.solution.values(2 * kShapes + static_cast<Eigen::Index>(i)) +
                   curve.log_size(data.position_steps[i]));
  }
  const double shift =
      mean_log - std::accumulate(logs.begin(), logs.end(), 0.0) / static_cast<double>(logs.size());
  for (std::size_t i = 0; i < logs.size(); ++i) {
    CurvePoint point;
    point.position_steps = data.position_steps[i];
    point.size_px = std::exp(logs[i] + shift);
    point.sigma_px = 0.01 * *point.size_px;
    points.push_back(point);
  }
  const auto fit = fit_curve(points, rig);
  if (!fit) return std::nullopt;
  return star_curve(*fit);
}

}  // namespace starwaist::over_field
