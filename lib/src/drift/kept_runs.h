// Stage: the runs that count, and the terms that they leave.
//
// In: the runs as columns, the tube's temperatures, the terms so far. Out: what was rejected, the
// rows that stay, the filters and reference temperature of these.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <vector>

#include "drift/design.h"
#include "drift/rejection.h"
#include "drift/run_columns.h"

namespace starwaist::drift {

struct KeptRuns {
  Rejection rejection;
  std::vector<std::size_t> used;   // rows
  Terms terms;                     // of the used rows: the filter with the most runs first
  std::vector<int> filter_counts;  // used rows, by filter
};

// What the runs are held against.
struct Temperatures {
  const Eigen::VectorXd& temperature;
  const Eigen::VectorXd& sigma_squared;  // of the runs, with what the temperature adds
};

// `terms`: their levels are found anew.
KeptRuns keep_runs(const RunColumns& runs, const Temperatures& tube, Terms terms,
                   Shifts shifts = Shifts::look_for);

// Warmest less coldest of the rows; 0 without any.
double temperature_range(const Eigen::VectorXd& temperature, const std::vector<std::size_t>& rows);

}  // namespace starwaist::drift
