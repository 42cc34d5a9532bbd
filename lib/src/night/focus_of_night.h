// Stage: lost focus frame by frame.
//
// In: the frames, their light and motion. Out: the stretches between refocuses, the model of the
// sizes, and what it says of each frame.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "night/focus_model.h"
#include "night/light_loss.h"
#include "night/sizes.h"
#include "night/stretches.h"
#include "night/taken_frames.h"

namespace starwaist::night {

struct FocusOfNight {
  Stretches stretches;
  UsedSizes used;
  FocusModel model;
  // By frame; zero, and nothing seen, where a size does not count.
  std::vector<double> focus;  // growth of ln size by lost focus
  std::vector<double> drifted;
  std::vector<double> air;
  std::vector<std::optional<double>> seen;  // what seeing leaves of ln size

  // ln size of the frame's group in focus in typical seeing; absent where none of it counts.
  [[nodiscard]] std::optional<double> level_of(const NightFrame& frame) const;
};

// A change of filter that comes with one of position is a refocus where the sizes say so, and so is
// a sudden drop of the sizes without any.
FocusOfNight find_focus(const TakenFrames& taken, const LightLoss& light,
                        std::span<const std::optional<double>> moved);

}  // namespace starwaist::night
