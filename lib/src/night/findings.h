// What the stages found, as the later ones read it.
//
// Private header of module night.
#pragma once

#include <optional>
#include <vector>

#include "night/focus_of_night.h"
#include "night/light_loss.h"
#include "night/reachable_sizes.h"
#include "night/taken_frames.h"

namespace starwaist::night {

struct Findings {
  TakenFrames taken;
  LightLoss light;
  std::vector<std::optional<double>> moved;  // ln of the size that motion adds
  FocusOfNight focus;
  ReachableSizes sizes;
};

// In: the frames as given. Out: everything that is known of each. Precondition: a size in
// NightRules::kFewestFrames of them.
Findings find_all(std::span<const NightFrame> given);

}  // namespace starwaist::night
