// Which runs do not belong: found from a start that up to a third of them cannot spoil.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <vector>

#include "drift/bad_runs.h"

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

struct Shift {
  std::vector<std::size_t> rows;  // in order
  double steps = 0;               // off the others by this much
  bool lasts = false;             // up to the last row
};

struct Rejection {
  std::vector<bool> keep;         // by row
  std::vector<Account> accounts;  // by row; what a shift took out is bad in all of them
  std::vector<Shift> shifts;
  std::vector<OffLine> off_line;
};

Rejection reject(const RejectionInput& input);

}  // namespace starwaist::drift
