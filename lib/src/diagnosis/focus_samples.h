// The points of a view as samples for the curve module's fits.
//
// Private header of module diagnosis.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "curve/curve_samples.h"
#include "curve/curve_shape.h"
#include "diagnosis/run_view.h"

namespace starwaist::diagnosis {

// The shape that the record's size measure and rig ask for.
curve::Shape shape_of(const RunRecord& record);

// The arms' slope by the optics, for half-flux radii; absent where the rig does not give it or the
// sizes are widths.
std::optional<double> optics_slope_px_per_step(const RunRecord& record);

// Samples of the points `which`, all of weight 1. Sizes must be there.
curve::Samples samples_of(const RunView& run, const std::vector<std::size_t>& which);

// The even curve through the points that the fit used and that are not spoiled; absent where they
// are fewer than four or carry no curve.
std::optional<HealthyCurve> fit_healthy_curve(const RunView& run);

}  // namespace starwaist::diagnosis
