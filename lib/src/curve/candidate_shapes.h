// The shapes that a run's curve may have, and the first fit of each.
#pragma once

#include <optional>
#include <vector>

#include "curve/curve_samples.h"
#include "curve/curve_shape.h"
#include "curve/outliers.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

struct NamedShape {
  CurveModel model = CurveModel::hyperbola;
  Shape shape;
  double odds = 1;                       // against the others, beforehand
  std::optional<FocusCurve::Blur> blur;  // of the blur curve
};

// Hyperbola, and the blur curve with either profile of the seeing.
std::vector<NamedShape> shapes_for(const Rig& rig, SizeMeasure measure, bool own_sigmas);

struct FittedShape {
  NamedShape named;
  ShapeFitters fitters;
  ShapeFit fit;  // of the even curve
};

// Hyperbola, and the blur curve with the seeing's profile that fits better. Symmetric shapes differ
// in the wings, not in where the minimum is, so that this choice does not bend the interval.
std::vector<FittedShape> fit_shapes(const std::vector<NamedShape>& shapes, const Samples& samples);

// The one that fits best.
FittedShape& best_of(std::vector<FittedShape>& shapes);

}  // namespace starwaist::curve
