// Stage: the sizes that the night could have had.
//
// In: the frames and lost focus frame by frame. Out: the night's seeing, the best size of each
// frame and what it lost, the sizes by filter.
//
// Private header of module night.
#pragma once

#include <optional>
#include <vector>

#include "night/focus_of_night.h"
#include "night/taken_frames.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct ReachableSizes {
  double typical = 0;  // ln size that seeing adds in the middle
  double scatter = 0;  // of ln size by seeing, from the lower half: blind to spells of bad seeing
  std::vector<std::optional<double>> best_px;  // by frame
  std::vector<std::optional<double>> loss;     // ln of the size over the best one, at least 0
  std::vector<NightFilter> filters;            // most frames first
};

// Raises levels that a drift put below the smallest size measured, and takes the difference from
// what lost focus accounts for: nothing was reached that was not seen.
void hold_to_measured(FocusOfNight& focus);

ReachableSizes find_reachable(const TakenFrames& taken, const FocusOfNight& focus);

}  // namespace starwaist::night
