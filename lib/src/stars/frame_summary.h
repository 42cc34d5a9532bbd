// From a frame's stars to the frame's sizes.
#pragma once

#include <vector>

#include "stars/one_star.h"
#include "starwaist/stars.h"

namespace starwaist::stars {

// Fills in the sizes, the elongation and the star count of `out` from clean stars in the region.
void summarise(const std::vector<MeasuredStar>& stars, const MeasureOptions& options,
               FrameMeasurement& out);

// True where what the sizes of `out` rest on are lines that point anywhere, as cosmic rays leave
// them in a frame without stars. Stars that are trailed all point one way.
bool are_lines(const std::vector<MeasuredStar>& stars, const MeasureOptions& options,
               const FrameMeasurement& out);

bool in_region(const Star& star, const std::optional<Region>& region);

}  // namespace starwaist::stars
