// Did the focuser arrive where the curve promised?
//
// Private header of module run.
#pragma once

#include "starwaist/run.h"

namespace starwaist::run_detail {

// Held against the run as judged. Absent fields where it gave no best focus or the frame has no
// size.
Arrival judge_arrival(const FitResult& fit, const RecordedRun::ArrivedFrame& frame);

}  // namespace starwaist::run_detail
