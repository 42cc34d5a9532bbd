// From inputs and measured frames to a run's record.
//
// Private header of module run.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// fit: facts and tracks of a run of frames stay empty. evidence: what a diagnosis looks at is
// there, with RunOptions::field the field's part too.
enum class Keep { fit, evidence };

// `stated`: what manifests say, for the frame of RunOptions::arrived. Errors: no_data where no
// frame has a position; those of measuring the arrived frame.
Result<RecordedRun> record_frames(RunMeasurement run,
                                  const std::map<std::string, StatedFacts>& stated,
                                  const RunOptions& options, Keep keep);

// As record_run.
Result<RecordedRun> record_inputs(const std::vector<std::string>& inputs, const RunOptions& options,
                                  Keep keep);

}  // namespace starwaist::run_detail
