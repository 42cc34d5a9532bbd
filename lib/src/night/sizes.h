// Stage: the sizes that focus and seeing have to explain.
//
// In: the frames, what motion added to them, fog, and the stretches between refocuses. Out: columns
// of numbers for the frames that count.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <span>
#include <vector>

#include "night/light_loss.h"
#include "night/stretches.h"
#include "night/taken_frames.h"

namespace starwaist::night {

// The frames whose sizes count, in the order taken.
struct Sizes {
  std::vector<double> time_s;
  std::vector<double> log_size;
  std::vector<double> variance;  // of log_size, from the stars
  std::vector<int> group;        // 0 .. groups - 1
  int groups = 0;
  std::vector<std::size_t> stretch;   // frames between two refocuses have the same number, rising
  std::vector<double> temperature_c;  // empty where too few frames have one
  std::vector<double> log_air_mass;   // empty where altitudes are not known
  bool positions_known = true;
  [[nodiscard]] std::size_t size() const { return time_s.size(); }
};

struct UsedSizes {
  Sizes sizes;
  std::vector<std::size_t> frame;  // which frames these are
  std::map<int, int> group_of;     // place in Sizes::group, by NightFrame::group
};

struct SizesInput {
  const TakenFrames& taken;
  const LightLoss& light;
  std::span<const std::optional<double>> moved;
  const Stretches& stretches;
};

// A frame in fog is left out where enough others are clear.
// What motion adds is taken out of the size.
// A frame far off both neighbours of its group counts less.
UsedSizes gather_sizes(const SizesInput& input);

}  // namespace starwaist::night
