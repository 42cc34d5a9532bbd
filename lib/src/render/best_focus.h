// The true best focus of a field.
//
// Module: render.
#pragma once

#include "starwaist/render.h"

namespace starwaist::render {

struct BestFocus {
  double position_steps = 0;
  double hfr_px = 0;
};

// The commanded position where the median noise-free half-flux radius over the field's stars is
// smallest, at the seeing asked for. Precondition: checked options.
Result<BestFocus> best_focus_of(const RenderOptions& options);

}  // namespace starwaist::render
