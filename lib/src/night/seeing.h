// The sizes of a night as a wandering process, and linear fits in its presence.
//
// Private header of module night.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <span>
#include <vector>

namespace starwaist::night {

// ln size wanders with this standard deviation and memory, and is new in every frame by `jitter`.
struct Seeing {
  double scatter = 0.05;
  double memory_s = 600;
  double jitter = 0.015;
};

// Makes what is seen through an Ornstein-Uhlenbeck process plus white noise independent with unit
// variance: a Kalman filter whose gains do not depend on the data (Gelb 1974, Applied Optimal
// Estimation, ch. 4, from memory).
class Whitener {
 public:
  // `variance`: of each frame's own measurement. Times rise.
  Whitener(std::span<const double> time_s, std::span<const double> variance, const Seeing& seeing);
  [[nodiscard]] Eigen::VectorXd apply(const Eigen::VectorXd& column) const;
  [[nodiscard]] Eigen::MatrixXd apply(const Eigen::MatrixXd& columns) const;
  [[nodiscard]] double log_determinant() const { return log_determinant_; }

 private:
  std::vector<double> decay_;
  std::vector<double> gain_;
  std::vector<double> scale_;
  double log_determinant_ = 0;
};

// All combinations that are tried.
std::vector<Seeing> seeing_grid();

}  // namespace starwaist::night
