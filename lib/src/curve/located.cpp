#include "curve/located.h"

#include <algorithm>
#include <cmath>

#include "curve/focus_mixture.h"

namespace starwaist::curve {
namespace {

Interval to_steps(const Samples& s, const Interval& scaled) {
  Interval steps;
  if (scaled.low) steps.low = s.steps(*scaled.low);
  if (scaled.high) steps.high = s.steps(*scaled.high);
  return steps;
}

// The mean over the parts, which is nearest on average where two of them lie apart (the median
// jumps from one to the other); a part outside the 95 % interval counts as at its limit, so that a
// wild one of little weight cannot pull. On an open side the 68 % interval's end is the limit.
double middle_of(const std::vector<Component>& parts, const Samples& s, const ModelFit& fit) {
  const auto end = [](const std::optional<double>& at_95, const std::optional<double>& at_68) {
    return at_95 ? *at_95 : *at_68;
  };
  const double low = s.scaled_position(end(fit.interval_95_steps.low, fit.interval_68_steps.low));
  const double high =
      s.scaled_position(end(fit.interval_95_steps.high, fit.interval_68_steps.high));
  double sum = 0;
  double total = 0;
  for (const Component& part : parts) {
    sum += part.weight * part.say * std::clamp(part.centre, low, high);
    total += part.weight * part.say;
  }
  return sum / total;
}

// An end that far out, in half ranges, is none: nothing there was looked at.
constexpr double kFarthestEnd = 20;

Interval without_far_ends(Interval interval) {
  if (interval.low && *interval.low < -kFarthestEnd) interval.low.reset();
  if (interval.high && *interval.high > kFarthestEnd) interval.high.reset();
  return interval;
}

// Far from the sweep, or outside it with an interval longer than it: a direction, not a place.
bool points_nowhere(const Samples& s, const ModelFit& fit) {
  if (!fit.best_focus_steps) return false;
  constexpr double kFarthestRanges = 3;  // from the sweep: nothing there was looked at
  const double beyond = std::abs(*fit.best_focus_steps - s.centre_steps) - s.half_range_steps;
  if (beyond > 2 * kFarthestRanges * s.half_range_steps) return true;
  if (!fit.interval_95_steps.bounded()) return false;
  const double range = 2 * s.half_range_steps;
  return std::abs(*fit.best_focus_steps - s.centre_steps) > s.half_range_steps &&
         *fit.interval_95_steps.high - *fit.interval_95_steps.low > range;
}

}  // namespace

ModelFit located(const Samples& s, const std::vector<Component>& parts, ModelFit fit,
                 Located located) {
  if (parts.empty()) return fit;
  const Interval inner = without_far_ends(mixture_interval(parts, kTail68));
  fit.interval_68_steps = to_steps(s, inner);
  fit.interval_95_steps = to_steps(s, without_far_ends(mixture_interval(parts, kTail95)));
  const bool inside = inner.bounded() && *inner.low >= -1 && *inner.high <= 1;
  if (!fit.interval_95_steps.bounded() && !(located == Located::by_one_sigma && inside)) {
    return fit;
  }
  fit.best_focus_steps = s.steps(middle_of(parts, s, fit));
  // One sigma as half of the 68 % interval, so that it means the same at five points and at fifty.
  if (fit.interval_68_steps.bounded()) {
    fit.best_focus_sigma_steps = 0.5 * (*fit.interval_68_steps.high - *fit.interval_68_steps.low);
  }
  return fit;
}

FocusOfParts focus_of_parts(const Samples& samples, const std::vector<Component>& parts,
                            const std::optional<double>& zone_steps) {
  FocusOfParts focus;
  focus.whole = located(samples, parts, {}, Located::by_one_sigma);
  if (points_nowhere(samples, focus.whole)) {
    focus.whole.best_focus_steps.reset();
    focus.whole.best_focus_sigma_steps.reset();
  }
  if (focus.whole.best_focus_steps && zone_steps) {
    focus.probability_in_zone =
        mixture_within(parts, samples.scaled_position(*focus.whole.best_focus_steps),
                       0.5 * *zone_steps / samples.half_range_steps);
  }
  return focus;
}

void take_focus(const FocusOfParts& focus, FitResult& result) {
  result.best_focus_steps = focus.whole.best_focus_steps;
  result.best_focus_sigma_steps = focus.whole.best_focus_sigma_steps;
  result.interval_68_steps = focus.whole.interval_68_steps;
  result.interval_95_steps = focus.whole.interval_95_steps;
  result.probability_in_zone = focus.probability_in_zone;
}

bool normalise(std::vector<Component>& parts) {
  double total = 0;
  for (const Component& part : parts) total += part.weight;
  if (!(total > 0)) return false;
  for (Component& part : parts) part.weight /= total;
  return true;
}

}  // namespace starwaist::curve
