// Hot pixels of a colour mosaic, judged before any channel is made of it: filled in between, one of
// them becomes a cross that passes for a star.
//
// Private header of module stars.
#pragma once

#include "starwaist/frame.h"

namespace starwaist::stars {

// A pixel is hot where neither the eight pixels round it, which have other colours, nor the eight
// nearest of its own colour hold the light that a star's would: of the four nearest and the four
// next the three faintest each, together below 0.35 of its own. A star of 0.94 px half-flux radius
// passes. One warm neighbour and one across a corner are allowed for, and the neighbours' noise.
// Each takes the value of a neighbour of its colour; those of `channel` are added to
// frame.repaired. Precondition: the frame has a mosaic.
void repair_mosaic(Frame& frame, ColorChannel channel, int threads);

}  // namespace starwaist::stars
