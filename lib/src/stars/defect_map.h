// A map of defects in the making.
//
// Private header of module stars.
#pragma once

#include <span>

#include "starwaist/stars.h"

namespace starwaist::stars {

// Whether light that spreads over several pixels is looked for beyond those that show it.
enum class Spread { as_seen, further };

// Pixels that touch are one defect. Where three or more do, its light also lies, too faint to be
// seen, in the pixels beside them, which join the map for Spread::further. `changing`: pixels that
// are no defects; what touches a brighter one of them is that one's flank, and no defect either.
// Precondition: each pixel once, its excess positive.
DefectMap grouped_map(std::span<const SharpPixel> pixels, std::span<const SharpPixel> changing,
                      int width_px, int height_px, Spread spread);

}  // namespace starwaist::stars
