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
  const auto excess = [&](double tau_squared) {
    return fit_linear(x, y, variances(sigma_squared, tau_squared)).chi_squared - freedom;
  };
  if (sigma_squared.minCoeff() > 0 && !(excess(0) > 0)) return 0;
  // chi-squared falls with tau^2.
  double low = 0;
  double high = std::max(high_end, 1e-24);
  for (int i = 0; i < 60 && excess(high) > 0; ++i) high *= 2;
  for (int i = 0; i < 60 && high - low > 1e-4 * high; ++i) {
    const double middle = low > 0 && high / low > 4 ? std::sqrt(low * high) : (low + high) / 2;
    (excess(middle) > 0 ? low : high) = middle;
    if (high < 1e-9 * high_end) break;
  }
  return (low + high) / 2;
}

}  // namespace starwaist::drift
