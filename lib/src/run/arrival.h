// Did the focuser arrive where the curve promised?
//
// Private header of module run.
#pragma once

#include "starwaist/run.h"

namespace starwaist::run_detail {

// `frame`: the frame taken afterwards, `size` its size on the run's scale. Absent fields where the
// run gave no best focus or the frame has no size.
Arrival judge_arrival(const FitResult& fit, const FrameMeasurement& frame, const MatchedSize& size);

}  // namespace starwaist::run_detail
