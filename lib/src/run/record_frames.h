// From measured frames to a run's record.
//
// Private header of module run.
#pragma once

#include <string>

#include "starwaist/error.h"
#include "starwaist/frame.h"
#include "starwaist/run.h"
#include "starwaist/stars.h"
#include "starwaist/statement.h"

namespace starwaist::run_detail {

// RunOptions::arrived is not looked at. The frames have their sky (RunOptions::sky). Errors:
// no_data where no frame has a position.
Result<RecordedRun> record_frames(MeasuredRun run, const RunOptions& options);

// The same in a small part of the time, for a run that is still being taken: sizes of the frames'
// own stars, no star followed, nothing over the field. Errors: as above.
Result<RecordedRun> record_sizes(MeasuredRun run, const RunOptions& options);

// What to do about a file whose position was not found.
std::string no_position_reason(const FrameReadOptions& read);

// Why a frame that shows no stars has no size.
Statement no_size_reason(const FrameMeasurement& frame);
// The same of one or two objects that are no stars of the run.
Statement not_a_star_reason();

}  // namespace starwaist::run_detail
