// Stage: the light of the stars against a clear sky.
//
// In: the frames and their times. Out: what each frame lost, with what the altitude takes anyway
// taken out.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "starwaist/night.h"

namespace starwaist::night {

// The vectors hold the frames whose dimming is known.
struct ClearSky {
  std::vector<std::size_t> frame;  // which these are
  std::vector<int> group;
  std::vector<double> lost_mag;  // against the group's clear sky
  std::vector<double> trend;     // magnitudes that the altitude takes
  bool altitude_known = false;
  double noise_mag = 0.02;  // from one frame to the next of its group

  [[nodiscard]] std::size_t size() const { return frame.size(); }
};

// Altitudes come from the frames where all have one, else from the star's path that fits best.
ClearSky against_clear_sky(std::span<const NightFrame> frames, std::span<const double> time_s);

}  // namespace starwaist::night
