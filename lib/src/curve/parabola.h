// The parabola in the size: c0 + c1 t + c2 t^2, its vertex and Fieller's interval for it.
#pragma once

#include <Eigen/Core>

#include "curve/least_squares.h"
#include "curve/samples.h"

namespace starwaist::curve {

// A polynomial with kCoefficients coefficients in t.
template <int kCoefficients>
class PolynomialResiduals {
 public:
  static constexpr int kParameters = kCoefficients;
  explicit PolynomialResiduals(const Samples& samples) : samples_(samples) {}
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()); }
  void evaluate(const double* p, double* residuals, double* jacobian) const {
    const std::size_t n = samples_.count();
    for (std::size_t i = 0; i < n; ++i) {
      const double w = samples_.weight[i];
      double power = 1;
      double value = 0;
      for (int j = 0; j < kCoefficients; ++j) {
        value += p[j] * power;
        if (jacobian != nullptr) jacobian[static_cast<std::size_t>(j) * n + i] = w * power;
        power *= samples_.t[i];
      }
      residuals[i] = w * (value - samples_.y[i]);
    }
  }

 private:
  const Samples& samples_;
};

template <int kCoefficients>
LeastSquaresFit<kCoefficients> fit_polynomial(const Samples& samples) {
  using Vector = Eigen::Matrix<double, kCoefficients, 1>;
  LeastSquares<PolynomialResiduals<kCoefficients>> solver;
  return solver.solve(PolynomialResiduals<kCoefficients>(samples), Vector::Zero(), Vector::Ones(),
                      {.max_iterations = 60, .step_tolerance = 1e-15});
}

using ParabolaFit = LeastSquaresFit<3>;

// Signed root of the profile in units of the residual sigma: (c1 + 2 c2 t) / sd(c1 + 2 c2 t). The
// points where it equals a quantile of Student's t are Fieller's limits (Fieller 1954, from
// memory); it stays below the quantile for ever where the interval is open. `variance` is that of
// one residual.
double parabola_root(const ParabolaFit& fit, double variance, double t);

}  // namespace starwaist::curve
