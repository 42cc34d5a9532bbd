// Frames between two refocuses, told by the focuser's positions.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "starwaist/night.h"

namespace starwaist::night {

struct Stretches {
  std::vector<std::size_t> of_frame;  // rising from 0
  int refocuses = 0;
  bool follows = false;  // the focuser moved nearly every frame: small moves are no refocus
  bool known = false;    // positions are there
};

// A refocus is a change of position from one frame to the next of the same filter. Where `filters`,
// a change of filter that comes with one of position counts too (some refocus at every change,
// others only shift by an offset: positions cannot tell).
Stretches find_stretches(std::span<const NightFrame> frames, bool filters);

}  // namespace starwaist::night
