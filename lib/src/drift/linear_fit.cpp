#include "drift/linear_fit.h"

#include <algorithm>
#include <cmath>

namespace starwaist::drift {

LinearFit fit_linear(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                     const Eigen::VectorXd& variance) {
  LinearFit fit;
  const Eigen::Index p = x.cols();
  if (x.rows() < p || p == 0) return fit;
  const Eigen::VectorXd weight = variance.cwiseSqrt().cwiseInverse();
  Eigen::MatrixXd scaled = weight.asDiagonal() * x;
  const Eigen::VectorXd length = scaled.colwise().norm();
  if (!(length.minCoeff() > 0) || !length.allFinite()) return fit;
  scaled = scaled * length.cwiseInverse().asDiagonal();
  const Eigen::HouseholderQR<Eigen::MatrixXd> qr(scaled);
  const Eigen::MatrixXd r = qr.matrixQR().topRows(p).triangularView<Eigen::Upper>();
  constexpr double kSmallestPivot = 1e-9;  // of columns of length one: rank lost
  if (!(r.diagonal().cwiseAbs().minCoeff() > kSmallestPivot)) return fit;
  const Eigen::MatrixXd inverse =
      length.cwiseInverse().asDiagonal() *
      r.triangularView<Eigen::Upper>().solve(Eigen::MatrixXd::Identity(p, p));
  fit.coefficients = qr.solve(weight.cwiseProduct(y)).cwiseQuotient(length);
  fit.covariance = inverse * inverse.transpose();
  fit.residuals = y - x * fit.coefficients;
  fit.chi_squared = fit.residuals.cwiseProduct(weight).squaredNorm();
  fit.log_det_information = 2 * (r.diagonal().array().abs().log() + length.array().log()).sum();
  fit.usable = fit.coefficients.allFinite() && std::isfinite(fit.chi_squared);
  return fit;
}

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
