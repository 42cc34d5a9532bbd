// Where best focus is, from the parts of an answer: its place, one sigma and two intervals.
#pragma once

#include <vector>

#include "curve/curve_samples.h"
#include "curve/focus_distribution.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

// What must be bounded for best focus to be located: the 95 % interval; or, for an answer that will
// be called doubtful, the 68 % interval inside the range that was sampled.
enum class Located { surely, by_one_sigma };

// `fit` with the intervals of the parts, and with their best focus where it is located.
ModelFit located(const Samples& samples, const std::vector<Component>& parts, ModelFit fit,
                 Located located = Located::surely);

// Best focus outside the sampled range with an interval longer than it: a direction, not a place.
bool points_nowhere(const Samples& s, const ModelFit& fit);

// Scales the parts' weights to a sum of 1; false where there is no weight.
bool normalise(std::vector<Component>& parts);

}  // namespace starwaist::curve
