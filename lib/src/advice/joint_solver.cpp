// The solver for seven parameters, in a file of its own: its templates take most of the time that
// the slack takes to compile.
#include <Eigen/Dense>

#include "advice/joint_fit.h"
#include "curve/least_squares.h"

namespace starwaist::advice {

std::optional<JointFit> fit_joint_curve(const JointResiduals& residuals,
                                        const JointParameters& start, JointEffort effort) {
  using Solver = curve::LeastSquares<JointResiduals>;
  constexpr double kFarthestFocus = 5;  // half ranges from the middle: the search ran off
  const bool first_look = effort == JointEffort::first_look;
  curve::LeastSquaresOptions options;
  options.step_tolerance = first_look ? 1e-3 : 1e-5;
  options.max_iterations = first_look ? 12 : 30;
  options.initial_trust_radius = 1e3;
  Solver solver;
  const Solver::Vector from = Eigen::Map<const Solver::Vector>(start.data());
  const Solver::Vector typical = Solver::Vector::Ones();
  const Solver::Fit fit = first_look ? solver.minimise(residuals, from, typical, options)
                                     : solver.solve(residuals, from, typical, options);
  if (!fit.usable || std::abs(fit.parameters[kFocus]) > kFarthestFocus) return std::nullopt;
  JointFit result;
  std::copy(fit.parameters.begin(), fit.parameters.end(), result.parameters.begin());
  result.sum_of_squares = fit.sum_of_squares;
  if (!first_look) {
    result.focus_variance = fit.unscaled_covariance(kFocus, kFocus);
    result.focus_drift_covariance = fit.unscaled_covariance(kFocus, kDrift);
    result.drift_variance = fit.unscaled_covariance(kDrift, kDrift);
  }
  return result;
}

}  // namespace starwaist::advice
