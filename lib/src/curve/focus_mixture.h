// The weighted mean of what several fits say about best focus.
#pragma once

#include <optional>
#include <vector>

#include "curve/focus_distribution.h"
#include "starwaist/interval.h"

namespace starwaist::curve {

// Where the mixture's cumulative probability is `probability`; absent where it never gets there.
std::optional<double> mixture_quantile(const std::vector<Component>& parts, double probability);
// Central interval that holds `1 - 2 tail`.
Interval mixture_interval(const std::vector<Component>& parts, double upper_probability);
// Probability that t lies within half_width of centre.
double mixture_within(const std::vector<Component>& parts, double centre, double half_width);

}  // namespace starwaist::curve
