// Standard deviation from the lower half of the values, blind to what lies above.
//
// Private header of module night.
#pragma once

#include <algorithm>
#include <span>

#include "starwaist/statistics.h"

namespace starwaist::night {

inline double lower_sigma(std::span<const double> values) {
  if (values.size() < 2) return 0;
  // Of a normal sample, to four digits: the odds of a night were settled with it.
  constexpr double kOneSigmaBelow = 0.1587;
  return std::max(median(values) - sample_quantile(values, kOneSigmaBelow), 0.0);
}

}  // namespace starwaist::night
