// From measured frames to a run's fit.
//
// Private header of module run.
#pragma once

#include <map>
#include <string>

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// `stated`: what manifests say, for the frame of RunOptions::arrived. Errors: no_data where no
// frame has a position; those of measuring the arrived frame.
Result<RecordedRun> record_frames(RunMeasurement run,
                                  const std::map<std::string, StatedFacts>& stated,
                                  const RunOptions& options);

}  // namespace starwaist::run_detail
