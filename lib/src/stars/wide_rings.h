// Out-of-focus rings too wide to be detected one by one as stars: how wide they are.
//
// Private header of module stars.
#pragma once

#include <optional>

#include "starwaist/frame.h"

namespace starwaist::stars {

// Outer radius of rings and discs of 25 px up to 0.4 of the frame's shorter side, all of one size.
// The frame is binned by medians, which leaves out hot pixels and streaks; a quadratic sky is taken
// off. A ring is where the inside of a circle's edge is brighter than its outside, all the way
// round. Absent where there is none.
std::optional<double> wide_ring_radius_px(const Frame& frame, int threads);

}  // namespace starwaist::stars
