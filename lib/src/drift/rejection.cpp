#include "drift/rejection.h"

#include <utility>

#include "drift/rows.h"

namespace starwaist::drift {

namespace {

// How many shifts are looked for, one after the other.
constexpr int kMostShifts = 6;

void reject_single(const RejectionInput& input, Rejection& rejection) {
  const std::vector<std::size_t> rows = rows_that(rejection.keep);
  const BadRuns bad =
      find_bad_runs(without_empty_columns(rows_of(input.x, rows)), rows_of(input.y, rows),
                    rows_of(input.sigma_squared, rows), rows_of(input.groups, rows));
  for (const GoodRows& likely : bad.good_rows) {
    GoodRows whole{std::vector<bool>(rejection.keep.size(), false), likely.weight};
    for (std::size_t i = 0; i < rows.size(); ++i) whole.good[rows[i]] = likely.good[i];
    rejection.good_rows.push_back(std::move(whole));
  }
  for (OffLine off : bad.off_line) {
    off.row = rows[off.row];
    rejection.keep[off.row] = false;
    rejection.off_line.push_back(off);
  }
}

}  // namespace

Rejection reject(const RejectionInput& input) {
  Rejection rejection;
  rejection.keep.assign(static_cast<std::size_t>(input.y.size()), true);
  for (int round = 0; round < kMostShifts; ++round) {
    const std::vector<std::size_t> rows = rows_that(rejection.keep);
    auto found = find_level_shift(input, rows);
    if (!found) break;
    // A step that lasts to the end leaves two levels: the one with fewer runs goes, the older one
    // where they are even.
    if (found->last == rows.size() && found->last - found->first >= found->first) {
      found = LevelShift{0, found->first, -found->steps};
    }
    ShiftedRows shifted{{}, found->steps, found->last == rows.size()};
    for (std::size_t i = found->first; i < found->last; ++i) {
      rejection.keep[rows[i]] = false;
      shifted.rows.push_back(rows[i]);
    }
    rejection.shifts.push_back(std::move(shifted));
  }
  // What a shift took out stays out; single runs are judged among the rest.
  reject_single(input, rejection);
  return rejection;
}

}  // namespace starwaist::drift
