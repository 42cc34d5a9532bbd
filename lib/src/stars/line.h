// A straight line through weighted points.
#pragma once

#include <optional>
#include <span>

namespace starwaist::stars {

struct WeightedLine {
  double intercept = 0;
  double slope = 0;
  // What noise of variance 1 / weight leaves open, one standard deviation.
  double intercept_sigma = 0;
  double slope_sigma = 0;
};

// Least squares; absent where the points are all at one place. As many y and weights as x.
std::optional<WeightedLine> weighted_line(std::span<const double> x, std::span<const double> y,
                                          std::span<const double> weight);

// Huber's weight of a residual of z standard deviations: 1 inside, falling as 1 / z outside; 95 %
// efficient (Huber 1964, from memory).
double huber_weight(double z);

}  // namespace starwaist::stars
