#include "drift/rows.h"

namespace starwaist::drift {

std::vector<std::size_t> rows_that(const std::vector<bool>& flags, bool value) {
  std::vector<std::size_t> rows;
  for (std::size_t i = 0; i < flags.size(); ++i) {
    if (flags[i] == value) rows.push_back(i);
  }
  return rows;
}

Eigen::MatrixXd rows_of(const Eigen::MatrixXd& matrix, const std::vector<std::size_t>& keep) {
  Eigen::MatrixXd rows(static_cast<Eigen::Index>(keep.size()), matrix.cols());
  for (std::size_t i = 0; i < keep.size(); ++i) {
    rows.row(static_cast<Eigen::Index>(i)) = matrix.row(static_cast<Eigen::Index>(keep[i]));
  }
  return rows;
}

Eigen::VectorXd rows_of(const Eigen::VectorXd& vector, const std::vector<std::size_t>& keep) {
  Eigen::VectorXd rows(static_cast<Eigen::Index>(keep.size()));
  for (std::size_t i = 0; i < keep.size(); ++i) {
    rows[static_cast<Eigen::Index>(i)] = vector[static_cast<Eigen::Index>(keep[i])];
  }
  return rows;
}

std::vector<int> rows_of(const std::vector<int>& values, const std::vector<std::size_t>& keep) {
  std::vector<int> rows;
  rows.reserve(keep.size());
  for (const std::size_t i : keep) rows.push_back(values[i]);
  return rows;
}

}  // namespace starwaist::drift
