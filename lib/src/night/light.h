// Star light through the night: what the air takes anyway, clouds, fog.
//
// Private header of module night.
#pragma once

#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "starwaist/night.h"

namespace starwaist::night {

struct Light {
  std::vector<std::optional<double>> lost_mag;  // against a clear sky at the same altitude
  // What the light loses by altitude, as far as it tells: nought where it is least; empty where
  // altitudes are known.
  std::vector<double> slow_mag;
  std::vector<bool> cloud;
  std::vector<bool> fog;
  bool fog_or_cloud = false;     // `cloud` holds a loss to the end that could be fog
  double seconds_tied_from = 0;  // since when, where so
};

// `time_s`: of every frame, rising. `growth`: ln size over the group's own middle, where known.
Light judge_light(std::span<const NightFrame> frames, std::span<const double> time_s,
                  std::span<const std::optional<double>> growth);

// Frames drawn out in one direction by more than others of like focus, where that accounts for
// their growth: ln of the size that motion adds, absent where a frame is not moved. `focus`: ln
// growth by lost focus, as far as it is known.
std::vector<std::optional<double>> judge_motion(std::span<const NightFrame> frames,
                                                std::span<const std::optional<double>> growth,
                                                std::span<const double> focus);

// Standard deviation from the lower half of the values, blind to what lies above.
double lower_sigma(std::vector<double> values);

}  // namespace starwaist::night
