// Stage: clouds and fog, by the stars' light.
//
// In: the frames, their times and growth. Out: what each frame lost, and whether cloud or fog took
// it.
//
// Private header of module night.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "night/taken_frames.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct LightLoss {
  std::vector<std::optional<double>> lost_mag;  // against a clear sky at the same altitude
  // What the light loses by altitude, as far as it shows: zero where it is least; empty where
  // altitudes are known.
  std::vector<double> slow_mag;
  std::vector<bool> cloud;
  std::vector<bool> fog;
  bool fog_or_cloud = false;     // `cloud` holds a loss to the end that could be fog
  double seconds_tied_from = 0;  // since when, where so
};

LightLoss judge_light_loss(const TakenFrames& taken);

}  // namespace starwaist::night
