#include "night/focus_of_night.h"

#include <utility>

namespace starwaist::night {
namespace {

// Log-likelihood less what drift and steps must gain.
double score(const FocusModel& model) {
  double sum = model.log_likelihood;
  if (model.drift) sum -= NightRules::kDriftOdds;
  for (const FocusStep& step : model.steps) sum -= step.needed_odds;
  return sum;
}

FocusOfNight with_stretches(Stretches stretches, const TakenFrames& taken, const LightLoss& light,
                            std::span<const std::optional<double>> moved) {
  FocusOfNight night;
  night.used = gather_sizes({taken, light, moved, stretches});
  night.model = explain_sizes(night.used.sizes);
  night.stretches = std::move(stretches);
  return night;
}

}  // namespace

std::optional<double> FocusOfNight::level_of(const NightFrame& frame) const {
  const auto group = used.group_of.find(frame.group);
  if (group == used.group_of.end()) return std::nullopt;
  return model.levels[static_cast<std::size_t>(group->second)];
}

FocusOfNight find_focus(const TakenFrames& taken, const LightLoss& light,
                        std::span<const std::optional<double>> moved) {
  FocusOfNight night =
      with_stretches(find_stretches(taken.frames, ChangesOfFilter::ignored), taken, light, moved);
  Stretches finer = find_stretches(taken.frames, ChangesOfFilter::refocus);
  if (finer.refocuses != night.stretches.refocuses) {
    FocusOfNight other = with_stretches(std::move(finer), taken, light, moved);
    if (score(other.model) - score(night.model) > 0) night = std::move(other);
  }
  night.focus.assign(taken.size(), 0.0);
  night.drifted.assign(taken.size(), 0.0);
  night.air.assign(taken.size(), 0.0);
  night.seen.assign(taken.size(), std::nullopt);
  for (std::size_t k = 0; k < night.used.frame.size(); ++k) {
    const std::size_t i = night.used.frame[k];
    night.focus[i] = night.model.focus[k];
    night.drifted[i] = night.model.by_drift[k];
    night.air[i] = night.model.air[k];
    night.seen[i] = night.model.seen[k];
  }
  return night;
}

}  // namespace starwaist::night
