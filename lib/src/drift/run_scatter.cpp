#include "drift/run_scatter.h"

#include <algorithm>
#include <cmath>

#include "numerics/linear_fit.h"

namespace starwaist::drift {

using numerics::fit_linear;
using numerics::LinearFit;

Eigen::VectorXd variances(const Eigen::VectorXd& sigma_squared, double tau_squared) {
  constexpr double kLeast = 1e-24;  // steps^2; keeps weights finite where nothing scatters
  return (sigma_squared.array() + tau_squared).max(kLeast);
}

double run_scatter_squared(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                           const Eigen::VectorXd& sigma_squared) {
  const auto freedom = static_cast<double>(x.rows() - x.cols());
  // Equal variances: the answer is that of plain least squares.
  const LinearFit plain = fit_linear(x, y, Eigen::VectorXd::Ones(y.size()));
  if (!plain.usable) return 0;
  const double high_end = plain.chi_squared / freedom;
  if (sigma_squared.maxCoeff() - sigma_squared.minCoeff() <= 1e-12 * sigma_squared.maxCoeff()) {
    return std::max(0.0, high_end - sigma_squared.maxCoeff());
  }
  // Newton's steps: chi-squared falls with tau^2 and is convex, its derivative is minus the sum of
  // residual^2 / variance^2 (the coefficients are at their minimum). From the left they do not
  // overshoot; a start too far to the right ends on the left.
  double tau_squared = std::max(0.0, high_end - sigma_squared.mean());
  constexpr int kMostSteps = 60;
  for (int step = 0; step < kMostSteps; ++step) {
    const Eigen::VectorXd variance = variances(sigma_squared, tau_squared);
    const LinearFit fit = fit_linear(x, y, variance);
    if (!fit.usable) break;
    const double slope = (fit.residuals.array() / variance.array()).square().sum();
    if (!(slope > 0)) break;
    const double next = std::max(0.0, tau_squared + (fit.chi_squared - freedom) / slope);
    const bool settled = std::abs(next - tau_squared) <= 1e-6 * (next + 1e-12 * high_end);
    tau_squared = next;
    if (settled || (next == 0 && fit.chi_squared <= freedom && tau_squared == 0)) break;
  }
  return tau_squared;
}

}  // namespace starwaist::drift
