// Tilt and curvature of a field's best focus, and what each zone has beside them.
//
// Private header of module field.
#pragma once

#include <Eigen/Dense>
#include <optional>
#include <vector>

#include "field/field_fit.h"
#include "field/star_curve.h"
#include "field/stars_of_field.h"
#include "starwaist/field.h"
#include "starwaist/rig.h"

namespace starwaist::over_field {

// Where the joint fit stands.
struct FieldShape {
  Eigen::Vector3d shape = Eigen::Vector3d::Zero();  // tilt x, tilt y, curvature, steps
  FieldSolution solution;
};

// The star's own best focus less that of the field's centre.
double offset_of(const StarInFrame& row, const Eigen::Vector3d& shape);

// Gauss-Newton rounds on the field's shape from `start`.
FieldShape fit_shape(const StarsOfField& data, const StarCurve& curve,
                     const Eigen::Vector3d& start);

// chi^2 a degree of freedom of the frames' residual gradients over the field, against the stars'
// scatter: above 1 where seeing differs over the field.
double gradient_excess(const StarsOfField& data, const FieldShape& state, double degrees);

// The run's curve with tilt and curvature taken out: what a star in the field's centre shows.
std::optional<StarCurve> curve_of_centre(const StarsOfField& data, const FieldShape& state,
                                         const StarCurve& curve, const Rig& rig);

// What each zone's focus is beside the smooth shape's, then both together. Errors are `widening`
// times those of the stars' scatter.
std::vector<FieldZone> zones_of(const StarsOfField& data, const StarCurve& curve,
                                const FieldShape& state, double widening);

}  // namespace starwaist::over_field
