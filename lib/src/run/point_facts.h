// What frames tell of their points beside position and size.
//
// Private header of module run.
#pragma once

#include <span>
#include <vector>

#include "starwaist/diagnosis.h"
#include "starwaist/stars.h"

namespace starwaist::run_detail {

// Times since the earliest of them, in place.
void since_earliest(std::vector<PointFacts>& facts);

// Values of `light` over their median, in place; not positive ones become absent.
void relative_light(std::vector<PointFacts>& facts);

// One entry a frame. The light is that of the same stars in all frames: ln flux = star + frame,
// fitted by medians; saturated, blended and cut stars are left out.
std::vector<PointFacts> facts_of_frames(const FrameGroup& frames,
                                        std::span<const StarTrack> tracks);

}  // namespace starwaist::run_detail
