// What frames and rows of a table say of their points beside position and size.
//
// Private header of module run.
#pragma once

#include <span>
#include <vector>

#include "starwaist/diagnosis.h"
#include "starwaist/intake.h"
#include "starwaist/stars.h"

namespace starwaist::run_detail {

// One entry a row: times since the earliest of them, the light over its median.
std::vector<PointFacts> facts_of_rows(std::span<const RowFacts> rows);

// One entry a frame. The light is that of the same stars in all frames: ln flux = star + frame,
// fitted by medians; saturated, blended and cut stars are left out.
std::vector<PointFacts> facts_of_frames(const FrameGroup& frames,
                                        std::span<const StarTrack> tracks);

}  // namespace starwaist::run_detail
