// Best focus of the field's median star.
//
// Private header of module field.
#pragma once

#include <Eigen/Dense>

#include "field/star_curve.h"
#include "field/stars_of_field.h"
#include "starwaist/interval.h"

namespace starwaist::over_field {

struct MedianFocus {
  double best_focus_steps = 0;  // where the median of the stars' sizes is smallest
  Interval flat_steps;          // about it, where that grows by less than 1 %
  double edge_growth = 0;       // there, of the largest star at the rim over its smallest size
};
// Over the stars that were measured. `shape`: tilt x, tilt y, curvature in steps.
MedianFocus median_focus(const StarsOfField& data, const StarCurve& curve,
                         const Eigen::Vector3d& shape);

struct MedianShift {
  double steps = 0;
  double sigma_steps = 0;  // by the errors of the shape, and by where a field's stars stand
};
// Of median_focus against a fit to the mean of the stars' sizes, frame by frame. `errors`: standard
// errors of the shape.
MedianShift median_shift(const StarsOfField& data, const StarCurve& curve,
                         const Eigen::Vector3d& shape, const Eigen::Vector3d& errors);

}  // namespace starwaist::over_field
