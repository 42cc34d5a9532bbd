// Stage: which runs do not belong.
//
// In: the rows in the order taken. Out: which to keep, why the others go, and every likely set of
// good rows with its weight. Up to a third of bad rows cannot spoil the start.
#pragma once

#include <cstddef>
#include <vector>

#include "drift/bad_runs.h"
#include "drift/level_shift.h"

namespace starwaist::drift {

struct ShiftedRows {
  std::vector<std::size_t> rows;  // in order
  double steps = 0;               // off the others by this much
  bool lasts = false;             // up to the last row
};

struct Rejection {
  std::vector<bool> keep;           // by row
  std::vector<GoodRows> good_rows;  // by row; what a shift took out is bad in all of them
  std::vector<ShiftedRows> shifts;
  std::vector<OffLine> off_line;
};

Rejection reject(const RejectionInput& input);

}  // namespace starwaist::drift
