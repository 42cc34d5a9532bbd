// Stage: frames drawn out by motion.
//
// In: the frames, and how much lost focus made each grow. Out: what motion adds to each size.
//
// Private header of module night.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "night/taken_frames.h"

namespace starwaist::night {

// Frames drawn out in one direction by more than others of like focus, where that accounts for
// their growth: ln of the size that motion adds, absent where a frame is not moved. `focus`: ln
// growth by lost focus, as far as it is known.
std::vector<std::optional<double>> judge_motion(const TakenFrames& taken,
                                                std::span<const double> focus);

}  // namespace starwaist::night
