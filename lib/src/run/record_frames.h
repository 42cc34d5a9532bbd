// From an input and measured frames to a run's record.
//
// Private header of module run.
#pragma once

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// fit: facts and tracks of a run of frames stay empty. evidence: what a diagnosis looks at is
// there, with RunOptions::field the field's part too.
enum class Keep { fit, evidence };

// RunOptions::arrived is not looked at. Errors: no_data where no frame has a position.
Result<RecordedRun> record_frames(MeasuredRun run, const RunOptions& options, Keep keep);

// As record_run.
Result<RecordedRun> record_input(const RunInput& input, const RunOptions& options, Keep keep);

}  // namespace starwaist::run_detail
