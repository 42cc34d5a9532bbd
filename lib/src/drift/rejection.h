// Stage: which runs do not belong.
//
// In: the rows in the order taken. Out: where best focus shifted as a whole, which rows to keep,
// why the others go, and every likely set of good rows with its weight. Up to a third of bad rows
// cannot spoil the start. Rows on either side of a shift stay: they share the slope.
#pragma once

#include <cstddef>
#include <vector>

#include "drift/bad_runs.h"
#include "drift/design.h"
#include "drift/level_shift.h"

namespace starwaist::drift {

struct Shift {
  LevelColumn level;   // the rows that have a level of their own
  double steps = 0;    // by which best focus moved at the shift
  bool lasts = false;  // up to the last row; the level is then that of the rows before it
  [[nodiscard]] std::size_t begin() const { return lasts ? level.last : level.first; }
};

struct Rejection {
  std::vector<bool> keep;           // by row
  std::vector<GoodRows> good_rows;  // by row
  std::vector<Shift> shifts;
  std::vector<OffLine> off_line;
};

enum class Shifts { look_for, none };
Rejection reject(const RejectionInput& input, Shifts shifts);

}  // namespace starwaist::drift
