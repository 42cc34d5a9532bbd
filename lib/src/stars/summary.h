// Many stars to one number.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace starwaist::stars {

struct ClippedMean {
  double value = 0;
  double spread = 0;      // the scale that was clipped by
  std::size_t count = 0;  // values within three spreads of the median
};

// Mean of the values within three spreads of their median. The spread is the values' own robust
// one, at least `least_spread`: a slope or a star's photons widen it. The median and
// the spread are those of an even selection where there are many, to a 1000th of `least_spread`.
// Precondition: not empty.
ClippedMean clipped_mean(std::span<const float> values, double least_spread);

struct RobustMean {
  double value = 0;
  double sigma = 0;       // standard error: each value's own and the scatter between them
  std::size_t count = 0;  // values that took part
};

// Huber's M-estimate of location (k = 1.345: 95 % efficient on a Gaussian sample, Huber 1981) with
// weights 1 / (sigma_i^2 + tau^2), tau the scatter that the values show beyond their own sigmas.
// Values further than four scales from the median are left out. Absent for an empty sample.
// Precondition: equal sizes, sigmas > 0.
std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas);

}  // namespace starwaist::stars
