// Stage: what each frame lost.
//
// In: the findings. Out: loss, light and worth of each frame in the order taken, and the exposure
// time that was lost in all.
//
// Private header of module night.
#pragma once

#include <vector>

#include "night/findings.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct FrameLosses {
  std::vector<NightFrameAnswer> answers;  // without their causes
  double exposure_s = 0;
  double exposure_lost_s = 0;
  double focus_lost_s = 0;
};

FrameLosses find_losses(const Findings& found);

}  // namespace starwaist::night
