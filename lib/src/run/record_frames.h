// From measured frames to a run's record.
//
// Private header of module run.
#pragma once

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// RunOptions::arrived is not looked at. The frames have their sky (RunOptions::sky). Errors:
// no_data where no frame has a position.
Result<RecordedRun> record_frames(MeasuredRun run, const RunOptions& options);

}  // namespace starwaist::run_detail
