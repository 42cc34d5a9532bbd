// Linear least squares in a few terms by the normal equations.
//
// For planes and parabolas in well scaled coordinates that are solved thousands of times: a plane
// of sky (stars, field, diagnosis), a start for a curve. They square the condition number: where
// columns may be nearly dependent, or an error is wanted from them, take linear_fit.h.
#pragma once

#include <Eigen/Dense>

namespace starwaist::numerics {

// Minimises sum weight (value - row . terms)^2.
template <int kTerms>
struct NormalEquations {
  using Vector = Eigen::Matrix<double, kTerms, 1>;
  using Matrix = Eigen::Matrix<double, kTerms, kTerms>;

  Matrix information = Matrix::Zero();  // sum weight row row^T, and what a prior adds
  Vector right = Vector::Zero();        // sum weight value row

  void add(const Vector& row, double value, double weight = 1) {
    information += weight * row * row.transpose();
    right += weight * value * row;
  }
  // By Cholesky's factorisation with pivots. Not finite, or a point of the valley, where the rows
  // do not determine the terms: the caller asks allFinite() and holds what may be open by a ridge.
  [[nodiscard]] Vector solve() const { return information.ldlt().solve(right); }
};

}  // namespace starwaist::numerics
