// A map of defects in the making.
//
// Private header of module stars.
#pragma once

#include <cstdint>
#include <span>

#include "starwaist/stars.h"

namespace starwaist::stars {

// Numbers pixels by row, then along it.
inline std::int64_t pixel_number(int x_px, int y_px, int width_px) {
  return static_cast<std::int64_t>(y_px) * width_px + x_px;
}

// Whether the map has pixels to fill in: it is for frames of this size, and none was before.
bool has_work_in(const DefectMap& defects, const Frame& frame);

// Whether light that spreads over several pixels is looked for beyond those that show it.
enum class Spread { as_seen, further };

// Pixels that touch are one defect. Where three or more do, its light also lies, too faint to be
// seen, in the pixels beside them, which join the map for Spread::further. `changing`: pixels that
// are no defects; what touches a brighter one of them is that one's flank, and no defect either.
// Precondition: each pixel once, its excess positive.
DefectMap grouped_map(std::span<const SharpPixel> pixels, std::span<const SharpPixel> changing,
                      int width_px, int height_px, Spread spread);

}  // namespace starwaist::stars
