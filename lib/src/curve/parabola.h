// The parabola in the size: c0 + c1 t + c2 t^2, its vertex and Fieller's interval for it.
#pragma once

#include <Eigen/Dense>
#include <cmath>
#include <utility>

#include "curve/curve_samples.h"
#include "curve/least_squares.h"

namespace starwaist::curve {

// A polynomial with kCoefficients coefficients in t: linear, so one orthogonal factorisation.
template <int kCoefficients>
LeastSquaresFit<kCoefficients> fit_polynomial(const Samples& samples) {
  using Square = Eigen::Matrix<double, kCoefficients, kCoefficients>;
  const auto n = static_cast<Eigen::Index>(samples.count());
  LeastSquaresFit<kCoefficients> fit;
  if (n <= kCoefficients) return fit;
  // The last column is the right-hand side.
  Eigen::Matrix<double, Eigen::Dynamic, kCoefficients + 1> rows(n, kCoefficients + 1);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    double power = samples.weight[k];
    for (int j = 0; j < kCoefficients; ++j) {
      rows(i, j) = power;
      power *= samples.t[k];
    }
    rows(i, kCoefficients) = samples.weight[k] * samples.y[k];
  }
  const Eigen::HouseholderQR<Eigen::Ref<decltype(rows)>> qr(rows);
  const auto& factor = qr.matrixQR();
  Square r = factor.template topLeftCorner<kCoefficients, kCoefficients>()
                 .template triangularView<Eigen::Upper>();
  constexpr double kSmallestPivot = 1e-12;  // of columns of length one: rank lost
  for (int j = 0; j < kCoefficients; ++j) {
    if (!(std::abs(r(j, j)) > kSmallestPivot * r.col(j).norm())) return fit;
  }
  const Square inverse = r.template triangularView<Eigen::Upper>().solve(Square::Identity());
  fit.parameters = inverse * factor.col(kCoefficients).template head<kCoefficients>();
  fit.sum_of_squares = factor(kCoefficients, kCoefficients) * factor(kCoefficients, kCoefficients);
  fit.unscaled_covariance = inverse * inverse.transpose();
  fit.log_det_information = 2 * r.diagonal().array().abs().log().sum();
  fit.usable = fit.parameters.allFinite() && std::isfinite(fit.sum_of_squares);
  return fit;
}

using ParabolaFit = LeastSquaresFit<3>;

// Signed root of the profile in units of the residual sigma: (c1 + 2 c2 t) / sd(c1 + 2 c2 t). The
// points where it equals a quantile of Student's t are Fieller's limits (Fieller 1954, from
// memory); it stays below the quantile for ever where the interval is open. `variance` is that of
// one residual. Second: its derivative.
std::pair<double, double> parabola_root(const ParabolaFit& fit, double variance, double t);

}  // namespace starwaist::curve
