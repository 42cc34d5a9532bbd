// A line that up to a third of the runs cannot spoil.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <limits>
#include <vector>

namespace starwaist::drift {

struct Robust {
  Eigen::VectorXd coefficients;
  double tau_squared = 0;
  double scale = std::numeric_limits<double>::infinity();  // of a row; less is better
  bool usable = false;
};

// `groups`: rows that share a level; column 1 of `x` is the temperature. Bisquare steps from two
// starts, least absolute deviations and median slopes; the better one of both.
Robust robust_fit(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                  const Eigen::VectorXd& sigma_squared, const std::vector<int>& groups);

// The same from some of the rows only, evenly chosen: more make it no better, only slower.
Robust robust_fit_of_some(const Eigen::MatrixXd& x, const Eigen::VectorXd& y,
                          const Eigen::VectorXd& sigma_squared, const std::vector<int>& groups);

// Places of `count` rows, evenly thinned to as many as robust_fit_of_some takes.
std::vector<std::size_t> thinned(std::size_t count);

}  // namespace starwaist::drift
