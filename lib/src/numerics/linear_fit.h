// Linear least squares by an orthogonal factorisation, with rank check and covariance.
//
// For focus against temperature (drift) by fit_linear, and for the covariance of a curve's
// parameters at the solution (curve) by ScaledQr.
#pragma once

#include <Eigen/Dense>
#include <optional>

namespace starwaist::numerics {

// Householder's factorisation of columns that are scaled to length one first, so that the rank does
// not depend on their units. kColumns: Eigen::Dynamic where known only at run time.
template <int kColumns>
class ScaledQr {
 public:
  using Columns = Eigen::Matrix<double, Eigen::Dynamic, kColumns>;
  using Square = Eigen::Matrix<double, kColumns, kColumns>;
  using Vector = Eigen::Matrix<double, kColumns, 1>;

  // Works in `columns`, which must outlive this. Rank counts as lost where a diagonal element of R
  // is not above `smallest_pivot`.
  ScaledQr(Columns& columns, double smallest_pivot) {
    const Eigen::Index p = columns.cols();
    if (columns.rows() < p || p == 0) return;
    length_ = columns.colwise().norm();
    if (!(length_.minCoeff() > 0) || !length_.allFinite()) return;
    columns = columns * length_.cwiseInverse().asDiagonal();
    qr_.emplace(columns);
    r_ = qr_->matrixQR().topRows(p).template triangularView<Eigen::Upper>();
    usable_ = r_.diagonal().cwiseAbs().minCoeff() > smallest_pivot;
  }

  // Full rank and finite; nothing else here has a meaning where it is not.
  [[nodiscard]] bool usable() const { return usable_; }
  // The coefficients that minimise |right - columns b|^2.
  [[nodiscard]] Vector solve(const Eigen::VectorXd& right) const {
    return qr_->solve(right).cwiseQuotient(length_);
  }
  // (X^T X)^-1: times the residual variance it is the covariance of the coefficients.
  [[nodiscard]] Square unscaled_covariance() const {
    const Eigen::Index p = r_.cols();
    const Square inverse = length_.cwiseInverse().asDiagonal() *
                           r_.template triangularView<Eigen::Upper>().solve(Square::Identity(p, p));
    return inverse * inverse.transpose();
  }
  // ln |X^T X|.
  [[nodiscard]] double log_det_information() const {
    return 2 * (r_.diagonal().array().abs().log() + length_.array().log()).sum();
  }

 private:
  Vector length_;
  std::optional<Eigen::HouseholderQR<Eigen::Ref<Columns>>> qr_;
  Square r_;
  bool usable_ = false;
};

struct LinearFit {
  Eigen::VectorXd coefficients;
  Eigen::MatrixXd covariance;  // (X^T V^-1 X)^-1
  Eigen::VectorXd residuals;   // y - X b
  double chi_squared = 0;      // sum of residual^2 / variance
  double log_det_information = 0;
  bool usable = false;  // full rank, finite
};

// Minimises sum (y - X b)^2 / variance. Precondition: variances positive, as many rows as y.
LinearFit fit_linear(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                     const Eigen::VectorXd& variance);

}  // namespace starwaist::numerics
