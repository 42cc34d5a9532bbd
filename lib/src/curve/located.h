// Where best focus is, from the parts of an answer: its place, one sigma and two intervals.
#pragma once

#include <optional>
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

// The answer of weighted parts.
struct FocusOfParts {
  ModelFit whole;  // best focus and its intervals; no best focus where it points nowhere
  std::optional<double> probability_in_zone;
};
// `zone_steps`: full width of the critical focus zone.
FocusOfParts focus_of_parts(const Samples& samples, const std::vector<Component>& parts,
                            const std::optional<double>& zone_steps);

// Takes best focus, its intervals and its probability over into `result`.
void take_focus(const FocusOfParts& focus, FitResult& result);

// Scales the parts' weights to a sum of 1; false where there is no weight.
bool normalise(std::vector<Component>& parts);

}  // namespace starwaist::curve
