// A straight line through weighted points.
//
// For stars (camera, pedestal), and wherever a line needs its weights' error.
#pragma once

#include <optional>
#include <span>

namespace starwaist::numerics {

struct WeightedLine {
  double intercept = 0;
  double slope = 0;
  // What noise of variance 1 / weight leaves open, one standard deviation.
  double intercept_sigma = 0;
  double slope_sigma = 0;
};

// Least squares by the sums of the weighted moments. Absent where the points are all at one place.
// Precondition: as many y and weights as x, weights >= 0; x of order one about zero, as the sums
// lose digits where it is not.
std::optional<WeightedLine> weighted_line(std::span<const double> x, std::span<const double> y,
                                          std::span<const double> weight);

}  // namespace starwaist::numerics
