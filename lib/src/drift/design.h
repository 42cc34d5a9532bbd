// Stage: the terms of the model and their columns.
//
// In: the runs as columns, the tube's temperatures. Out: the matrix whose coefficients are fitted.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <optional>
#include <vector>

#include "drift/run_columns.h"

namespace starwaist::drift {

// Rows that share a level of their own: from place `first` to before place `last`.
struct LevelColumn {
  std::size_t first = 0;
  std::size_t last = 0;
  [[nodiscard]] bool holds(std::size_t row) const { return row >= first && row < last; }
};

struct Terms {
  double reference_temperature_c = 0;
  std::optional<double> reference_altitude_deg;  // absent: no altitude term
  std::vector<int> filters;                      // in use, the reference first
  std::vector<LevelColumn> levels;               // beside the reference, which is the last one
};

// The terms that these runs allow, before any is rejected.
// A filter is a term of its own from one run on.
// Altitude is one where every run has it, it spreads over ten degrees, and runs are left to spare.
Terms choose_terms(const RunColumns& runs, bool altitude_allowed);

// Columns: 1, temperature, altitude where fitted, one for each filter but the first, one for each
// level beside the last.
struct Design {
  Eigen::MatrixXd x;
  std::optional<Eigen::Index> altitude;      // column
  std::vector<Eigen::Index> filter_columns;  // by filter; -1 for the reference and absent ones
};

Design make_design(const RunColumns& runs, const Eigen::VectorXd& temperature, const Terms& terms);

}  // namespace starwaist::drift
