// A focus curve whose blur grows through the run, as fog does it.
//
// Private header of module curve.
#pragma once

#include <vector>

#include "starwaist/curve.h"

namespace starwaist::curve {

struct GrowingBlur {
  std::vector<double> thickness;  // by point, 0 to 1
  double growth = 0;              // relative, of the size in focus, where the fog is thickest
  double obstruction = 0.3;
  // Where the search begins.
  double best_focus_steps = 0;
  double smallest_px = 1;
  double slope_px_per_step = 1;
};

// The sizes as they would have been without the growth. In focus a star grows by all of it, far out
// by next to nothing: how much, the blur curve shows that is fitted to the points with this growth
// in it. Points without a size stay as they are.
std::vector<CurvePoint> without_growth(std::vector<CurvePoint> points, const GrowingBlur& fog);

}  // namespace starwaist::curve
