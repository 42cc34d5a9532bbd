// Whether the rows of a table are one run.
//
// Private header of module run.
#pragma once

#include <cstddef>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/intake.h"

namespace starwaist::run_detail {

// The first point of each sweep, 0 the first. A sweep begins where the position, after four or more
// different ones in one direction, goes back over more than half of their range at once and then
// takes four or more in the same direction. A return in steps is no new sweep.
std::vector<std::size_t> sweep_starts(const std::vector<CurvePoint>& points);

// Sweeps over the same best focus are repeats of one run, which the table's notes then say.
// Errors: no_data for more rows than a run can have, and for sweeps whose best focus differs by far
// more than their errors: these are runs of their own, unless the column `run` says otherwise.
Result<void> check_one_run(RunTable& table, const Rig& rig, const FitOptions& options);

}  // namespace starwaist::run_detail
