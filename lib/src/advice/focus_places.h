// Where best focus may lie by the points so far: a posterior on a grid. Few points with a prior
// leave it broad, lopsided or with two places, which a single best fit would hide.
//
// In: positions and sizes, tonight's conditions as a prior of the curve, its shape. Out: places
// with their weights and the likeliest curve at each.
#pragma once

#include <vector>

#include "curve/curve_shape.h"
#include "starwaist/conditions.h"

namespace starwaist::advice {

struct Taken {
  double position_steps = 0;
  double size_px = 0;
};

struct FocusPlace {
  double position_steps = 0;
  double weight = 0;  // sums to 1 over all places
  double smallest_px = 0;
  double slope_px_per_step = 0;
};

struct FocusPlaces {
  std::vector<FocusPlace> places;
  double mean_steps = 0;
  double sigma_steps = 0;
};

// Precondition: at least one point.
FocusPlaces likely_places(const std::vector<Taken>& taken, const ObservingConditions& conditions,
                          const curve::Shape& shape);

}  // namespace starwaist::advice
