#include "numerics/linear_fit.h"

#include <cmath>

namespace starwaist::numerics {

LinearFit fit_linear(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                     const Eigen::VectorXd& variance) {
  LinearFit fit;
  const Eigen::VectorXd weight = variance.cwiseSqrt().cwiseInverse();
  Eigen::MatrixXd weighted = weight.asDiagonal() * x;
  constexpr double kSmallestPivot = 1e-9;  // of columns of length one
  const ScaledQr<Eigen::Dynamic> qr(weighted, kSmallestPivot);
  if (!qr.usable()) return fit;
  fit.coefficients = qr.solve(weight.cwiseProduct(y));
  fit.covariance = qr.unscaled_covariance();
  fit.residuals = y - x * fit.coefficients;
  fit.chi_squared = fit.residuals.cwiseProduct(weight).squaredNorm();
  fit.log_det_information = qr.log_det_information();
  fit.usable = fit.coefficients.allFinite() && std::isfinite(fit.chi_squared);
  return fit;
}

}  // namespace starwaist::numerics
