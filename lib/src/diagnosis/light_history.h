// The stars' light through a run: steady, dimmed in some frames (cloud), or fading (dew, frost).
//
// Private header of module diagnosis.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace starwaist::diagnosis {

class RunView;

struct LightHistory {
  bool from_counts = false;  // no light is given: the number of stars stands for it
  double log_odds_cloud = -100;
  double log_odds_fog = -100;
  std::vector<std::size_t> dimmed;  // points, in the order taken
  double deepest_loss = 0;          // part of the light that the dimmest of them lost
  double fog_loss = 0;              // part lost from the first to the last frame
  std::size_t fog_from = 0;         // point where it begins
  double noise = 0;                 // relative, of a frame's light
};

// Absent where fewer than three points give their light and fewer than five their number of stars.
std::optional<LightHistory> light_history(const RunView& run);

}  // namespace starwaist::diagnosis
