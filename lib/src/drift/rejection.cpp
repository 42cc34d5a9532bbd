#include "drift/rejection.h"

#include <numeric>
#include <utility>

#include "drift/rows.h"

namespace starwaist::drift {

namespace {

using Eigen::Index;
using Eigen::MatrixXd;

// How many shifts are looked for, one after the other.
constexpr int kMostShifts = 6;

// The rows with a level of their own, and that column of the fit.
void add_level(const LevelColumn& level, MatrixXd& x, std::vector<int>& groups) {
  x.conservativeResize(Eigen::NoChange, x.cols() + 1);
  for (std::size_t i = 0; i < groups.size(); ++i) {
    const bool inside = level.holds(i);
    x(static_cast<Index>(i), x.cols() - 1) = inside ? 1 : 0;
    groups[i] = 2 * groups[i] + (inside ? 1 : 0);
  }
}

}  // namespace

Rejection reject(const RejectionInput& input, Shifts shifts) {
  Rejection rejection;
  const auto count = static_cast<std::size_t>(input.y.size());
  MatrixXd x = input.x;
  std::vector<int> groups = input.groups;
  std::vector<std::size_t> all(count);
  std::iota(all.begin(), all.end(), std::size_t{0});
  for (int round = 0; shifts == Shifts::look_for && round < kMostShifts; ++round) {
    const auto found =
        find_level_shift({x, input.y, input.sigma_squared, groups, input.night_starts}, all);
    if (!found) break;
    const bool lasts = found->last == count;
    const LevelColumn level =
        lasts ? LevelColumn{0, found->first} : LevelColumn{found->first, found->last};
    rejection.shifts.push_back({level, found->steps, lasts});
    add_level(level, x, groups);
  }
  BadRuns bad = find_bad_runs(without_empty_columns(x), input.y, input.sigma_squared, groups);
  rejection.keep.assign(count, true);
  rejection.good_rows = std::move(bad.good_rows);
  for (const OffLine& off : bad.off_line) {
    rejection.keep[off.row] = false;
    rejection.off_line.push_back(off);
  }
  return rejection;
}

}  // namespace starwaist::drift
