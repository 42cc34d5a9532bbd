// The stars of a run followed through all its frames.
//
// Private header of module run.
#pragma once

#include <vector>

#include "starwaist/error.h"
#include "starwaist/run.h"

namespace starwaist::run_detail {

// Adds to each frame the stars that were not found in it, where the other frames have them; the
// frames that lack some are read again. Frames that can no longer be read stay as they are. Errors:
// interrupted.
Result<void> follow_stars(std::vector<MeasuredFrame>& frames, const RunOptions& options);

}  // namespace starwaist::run_detail
