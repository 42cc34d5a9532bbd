// A run all of whose frames are far from focus: how far, and to which side, by the size of the
// blurred stars.
//
// Private header of module diagnosis.
#pragma once

#include <optional>

#include "diagnosis/run_view.h"

namespace starwaist::diagnosis {

struct FarOut {
  double distance_steps = 0;  // of best focus from the middle of the run
  double sigma_steps = 0;
  double middle_steps = 0;
  double size_px = 0;     // there
  double core_steps = 0;  // of the curve, by the rig and a usual seeing
  // 1: best focus lies towards larger positions, -1 towards smaller ones; absent where the sizes do
  // not show it.
  std::optional<int> side;
};

// Absent where the rig's slope is not known, the sizes are widths, fewer than three points count,
// stars are not far larger than the air could make them, best focus may lie among the points, or
// the sizes change with position as no blur of the optics does.
std::optional<FarOut> far_out(const RunView& run);

}  // namespace starwaist::diagnosis
