// Stage: where best focus shifted as a whole.
//
// In: the rows in the order taken. Out: the stretch of rows that lies off the others, if any does.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <optional>
#include <vector>

namespace starwaist::drift {

// Rows in the order taken. `groups`: rows that share a level (their filter), numbered from 0;
// column 1 of `x` is the temperature.
struct RejectionInput {
  const Eigen::MatrixXd& x;
  const Eigen::VectorXd& y;
  const Eigen::VectorXd& sigma_squared;
  std::vector<int> groups;
  std::vector<std::size_t> night_starts;
};

// From place `first` to before place `last` among the rows looked at.
struct LevelShift {
  std::size_t first = 0;
  std::size_t last = 0;
  double steps = 0;  // off the others by this much
};

// A shift begins at any of the rows that `rows` names and lasts to the end of its night or of all.
// Three rows at least lie on either side of it, nine in all.
// It counts where it exceeds 3.5 times the scatter and chance would make one in 0.5 % of tables.
std::optional<LevelShift> find_level_shift(const RejectionInput& input,
                                           const std::vector<std::size_t>& rows);

// `x` without columns that are zero throughout (a filter whose runs are all out), which would cost
// the rank.
Eigen::MatrixXd without_empty_columns(const Eigen::MatrixXd& x);

}  // namespace starwaist::drift
