// Stage: the frames between two refocuses.
//
// In: the frames in the order taken. Out: the number of each frame's stretch, inferred from the
// focuser's positions.
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
  // First frames after a refocus that the positions do not show: sizes dropped there at once.
  std::vector<std::size_t> unseen;
};

// The same with a refocus just before `frame` that the positions do not show.
Stretches with_unseen_refocus(Stretches stretches, std::size_t frame);

// Whether a change of filter that comes with one of position is a refocus. Some refocus at every
// change, others only shift by an offset; positions cannot distinguish the two.
enum class ChangesOfFilter { ignored, refocus };

// A refocus is a change of position from one frame to the next of the same filter.
Stretches find_stretches(std::span<const NightFrame> frames, ChangesOfFilter changes);

}  // namespace starwaist::night
