// Out-of-focus rings too wide to be detected one by one as stars: how wide they are.
//
// Private header of module stars.
#pragma once

#include <optional>

#include "starwaist/frame.h"

namespace starwaist::stars {

struct WideRings {
  double radius_px = 0;  // outer, of the strongest rings
  double snr = 0;        // of the strongest ring's edge
  int count = 0;         // rings of this size found
};

// Rings and discs of 25 px radius up to 0.4 of the frame's shorter side, all of one size. The frame
// is binned by medians, which leaves out hot pixels and streaks; a quadratic sky is taken off. A
// ring is where the inside of a circle's edge is brighter than its outside, all the way round.
// Absent where there is none.
std::optional<WideRings> find_wide_rings(const Frame& frame, int threads);

}  // namespace starwaist::stars
