// Many stars to one number.
#pragma once

#include <cstddef>
#include <span>

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

}  // namespace starwaist::stars
