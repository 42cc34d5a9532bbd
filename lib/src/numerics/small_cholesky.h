// Cholesky factor of a small positive definite matrix, unrolled by the compiler: a fit asks for
// thousands of them, and Eigen's factorisations, made for any size, took an eighth of its time.
#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <cmath>

namespace starwaist::numerics {

template <int kSize>
class SmallCholesky {
 public:
  using Vector = Eigen::Matrix<double, kSize, 1>;
  using Matrix = Eigen::Matrix<double, kSize, kSize>;

  // The lower triangle of `a` is read.
  template <class Symmetric>
  explicit SmallCholesky(const Symmetric& a) {
    for (int j = 0; j < kSize; ++j) {
      double pivot = a(j, j);
      for (int k = 0; k < j; ++k) pivot -= l_[j][k] * l_[j][k];
      const double part = pivot / a(j, j);
      least_pivot_ = part > 0 ? std::min(least_pivot_, part) : 0;  // NaN too
      product_ *= pivot;
      inverse_[j] = 1 / std::sqrt(pivot);
      for (int i = j + 1; i < kSize; ++i) {
        double sum = a(i, j);
        for (int k = 0; k < j; ++k) sum -= l_[i][k] * l_[j][k];
        l_[i][j] = sum * inverse_[j];
      }
    }
  }

  // Smallest part of a diagonal element that the others leave; 0 where the matrix is not positive
  // definite, and then nothing else here has a meaning.
  [[nodiscard]] double least_pivot() const { return least_pivot_; }
  [[nodiscard]] double determinant() const { return product_; }
  // L^-1 b
  [[nodiscard]] Vector forward(const Vector& b) const {
    Vector x;
    for (int i = 0; i < kSize; ++i) {
      double sum = b[i];
      for (int k = 0; k < i; ++k) sum -= l_[i][k] * x[k];
      x[i] = sum * inverse_[i];
    }
    return x;
  }
  // L^-T b
  [[nodiscard]] Vector backward(const Vector& b) const {
    Vector x;
    for (int i = kSize - 1; i >= 0; --i) {
      double sum = b[i];
      for (int k = i + 1; k < kSize; ++k) sum -= l_[k][i] * x[k];
      x[i] = sum * inverse_[i];
    }
    return x;
  }
  [[nodiscard]] Matrix inverse() const {
    Matrix rows;
    for (int j = 0; j < kSize; ++j) rows.col(j) = forward(Vector::Unit(j));
    return rows.transpose() * rows;
  }

 private:
  double l_[kSize][kSize] = {};  // without its diagonal
  double inverse_[kSize] = {};   // of the diagonal
  double product_ = 1;
  double least_pivot_ = 1;
};

}  // namespace starwaist::numerics
