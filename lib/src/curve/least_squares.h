// Non-linear least squares for small dense problems: the one set-up that every curve model and the
// reference problems of the tests share.
//
// Ceres' TinySolver does the Levenberg-Marquardt steps (about a microsecond for a focus curve; the
// general solver needs some thirteen). It works on the normal equations, so the parameters are
// scaled to order one by the caller's typical values here, and the covariance comes from an
// orthogonal factorisation of the Jacobian at the solution.
#pragma once

#include <ceres/tiny_solver.h>

#include <Eigen/Dense>
#include <cmath>
#include <limits>

namespace starwaist::curve {

struct LeastSquaresOptions {
  // A focus curve needs 4 to 15 steps; the hardest reference problems a few hundred.
  int max_iterations = 60;
  // Relative step that counts as converged: far below any statistical error.
  double step_tolerance = 1e-9;
  // Large: nearly a Gauss-Newton step at first, right for a start near the minimum. A far start
  // needs about 10, or the first step may leave the basin.
  double initial_trust_radius = 1e6;
};

template <int kParameters>
struct LeastSquaresFit {
  Eigen::Matrix<double, kParameters, 1> parameters;
  double sum_of_squares = std::numeric_limits<double>::infinity();
  // (J^T J)^-1: times the residual variance it is the covariance of the parameters.
  Eigen::Matrix<double, kParameters, kParameters> unscaled_covariance;
  double log_det_information = 0;  // ln |J^T J|
  bool usable = false;             // finite, and the Jacobian has full rank
};

// Residuals: a class with `static constexpr int kParameters`, `int count() const` and
// `void evaluate(const double* parameters, double* residuals, double* jacobian) const`, jacobian
// column by column or null.
template <class Residuals>
class LeastSquares {
 public:
  static constexpr int kParameters = Residuals::kParameters;
  using Vector = Eigen::Matrix<double, kParameters, 1>;
  using Fit = LeastSquaresFit<kParameters>;

  // The minimum near `start`. `typical` is each parameter's order of magnitude (not zero).
  Fit solve(const Residuals& residuals, const Vector& start, const Vector& typical,
            const LeastSquaresOptions& options = {}) {
    Fit fit = minimise(residuals, start, typical, options);
    if (fit.usable) add_covariance(residuals, fit);
    return fit;
  }

  // As solve, without the covariance: only parameters, sum of squares and whether they are finite.
  Fit minimise(const Residuals& residuals, const Vector& start, const Vector& typical,
               const LeastSquaresOptions& options = {}) {
    const Scaled scaled{residuals, typical};
    solver_.options.max_num_iterations = options.max_iterations;
    solver_.options.parameter_tolerance = options.step_tolerance;
    solver_.options.function_tolerance = 0;  // an absolute change of cost: no unit, no meaning
    solver_.options.gradient_tolerance = 0;
    solver_.options.cost_threshold = 0;
    solver_.options.initial_trust_region_radius = options.initial_trust_radius;
    Vector z = start.cwiseQuotient(typical);
    solver_.Solve(scaled, &z);
    Fit fit;
    fit.parameters = z.cwiseProduct(typical);
    fit.sum_of_squares = 2 * solver_.summary.final_cost;
    fit.usable = fit.parameters.allFinite() && std::isfinite(fit.sum_of_squares);
    return fit;
  }

 private:
  struct Scaled {
    using Scalar = double;
    enum { NUM_RESIDUALS = Eigen::Dynamic, NUM_PARAMETERS = Residuals::kParameters };
    const Residuals& inner;
    const Vector& typical;

    int NumResiduals() const { return inner.count(); }
    bool operator()(const double* z, double* values, double* jacobian) const {
      const Vector p = Eigen::Map<const Vector>(z).cwiseProduct(typical);
      inner.evaluate(p.data(), values, jacobian);
      if (jacobian != nullptr) {
        Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, kParameters>> j(jacobian, inner.count(),
                                                                         kParameters);
        j = j * typical.asDiagonal();
      }
      return true;
    }
  };

  void add_covariance(const Residuals& residuals, Fit& fit) {
    values_.resize(residuals.count());
    jacobian_.resize(residuals.count(), kParameters);
    residuals.evaluate(fit.parameters.data(), values_.data(), jacobian_.data());
    // Columns of equal length, so that the rank does not depend on the parameters' units.
    Vector length = jacobian_.colwise().norm();
    if (!(length.minCoeff() > 0) || !length.allFinite()) {
      fit.usable = false;
      return;
    }
    jacobian_ = jacobian_ * length.cwiseInverse().asDiagonal();
    const Eigen::HouseholderQR<Eigen::Ref<Eigen::Matrix<double, Eigen::Dynamic, kParameters>>> qr(
        jacobian_);
    const Eigen::Matrix<double, kParameters, kParameters> r =
        qr.matrixQR().template topRows<kParameters>().template triangularView<Eigen::Upper>();
    constexpr double kSmallestPivot = 1e-12;  // of columns of length one: rank lost
    if (!(r.diagonal().cwiseAbs().minCoeff() > kSmallestPivot)) {
      fit.usable = false;
      return;
    }
    const Eigen::Matrix<double, kParameters, kParameters> inverse =
        r.template triangularView<Eigen::Upper>().solve(
            Eigen::Matrix<double, kParameters, kParameters>::Identity());
    const Eigen::Matrix<double, kParameters, kParameters> scaled_inverse =
        length.cwiseInverse().asDiagonal() * inverse;
    fit.unscaled_covariance = scaled_inverse * scaled_inverse.transpose();
    fit.log_det_information = 2 * (r.diagonal().array().abs().log() + length.array().log()).sum();
  }

  ceres::TinySolver<Scaled> solver_;
  Eigen::VectorXd values_;
  Eigen::Matrix<double, Eigen::Dynamic, kParameters> jacobian_;
};

}  // namespace starwaist::curve
