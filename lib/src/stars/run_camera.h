// One camera took a run's frames: what they show of it together.
#pragma once

#include <span>

#include "stars/frame_model.h"
#include "starwaist/stars.h"

namespace starwaist::stars {

// The gain from the skies of all
// frames, which differ more than one frame's; the run's highest pixel value as the level of
// clipping for all of them, where several pixels of a frame or two frames have it. Standard errors
// and flags of the frames' stars, their remarks and their models become what they are with these;
// the frames' own summaries stay. A frame without a model stays as it is. The frames' order does
// not matter.
void share_camera(std::span<MeasuredFrame> frames);

}  // namespace starwaist::stars
