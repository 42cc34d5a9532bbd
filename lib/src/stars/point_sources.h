// Stars apart from galaxies and knots, by how their sizes follow the focus through a run.
#pragma once

#include <vector>

#include "starwaist/stars.h"

namespace starwaist::stars {

// By star of the reference frame: whether it is an extended object among point sources. Point
// sources share one size in their own best focus, and are the smallest objects there; an extended
// one's square is larger by that of its own blur, and these differ. The sizes in focus come from a
// hyperbola through each object's own sizes, so that tilt and curvature do not count; a mixture
// of one narrow population and a broad one above it decides. None where the broad one does not
// stand out, where positions are unknown, or where the sizes show no focus.
std::vector<bool> extended_objects_of(const FrameGroup& frames, const Alignment& alignment);

}  // namespace starwaist::stars
