// One table that is already read, to its answer.
//
// Private header of module run.
#pragma once

#include "starwaist/run.h"

namespace starwaist::run_detail {

// Errors: those of fit_curve.
Result<RecordedRun> record_table(RunTable table, const RunOptions& options);

}  // namespace starwaist::run_detail
