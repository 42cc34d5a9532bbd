// Some rows of a matrix, a vector or a list.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <vector>

namespace starwaist::drift {

// The places at which `flags` is `value`, in order.
std::vector<std::size_t> rows_that(const std::vector<bool>& flags, bool value = true);

// The rows that `keep` names.
Eigen::MatrixXd rows_of(const Eigen::MatrixXd& matrix, const std::vector<std::size_t>& keep);
Eigen::VectorXd rows_of(const Eigen::VectorXd& vector, const std::vector<std::size_t>& keep);
std::vector<int> rows_of(const std::vector<int>& values, const std::vector<std::size_t>& keep);

}  // namespace starwaist::drift
