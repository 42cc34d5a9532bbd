#include "night/focus_of_night.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "starwaist/statistics.h"

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

// Frames at which the sizes drop at once and stay small, the largest drop first: three frames on
// either side, well beyond what three frames usually differ by.
std::vector<std::size_t> sudden_drops(const FocusOfNight& night) {
  constexpr std::size_t kSide = 3;
  constexpr double kLeastDrop = 0.1;  // of ln size
  constexpr double kClear = 4;        // times the usual change
  constexpr std::size_t kMost = 4;
  const Sizes& s = night.used.sizes;
  std::vector<double> y(s.size());
  for (std::size_t k = 0; k < s.size(); ++k) {
    y[k] = s.log_size[k] - night.model.levels[static_cast<std::size_t>(s.group[k])];
  }
  const auto middle = [&y](std::size_t first) {
    return median(std::vector<double>(y.begin() + static_cast<std::ptrdiff_t>(first),
                                      y.begin() + static_cast<std::ptrdiff_t>(first + kSide)));
  };
  std::vector<std::pair<double, std::size_t>> drops;
  std::vector<double> changes;
  for (std::size_t k = kSide; k + kSide <= y.size(); ++k) {
    if (s.stretch[k - 1] != s.stretch[k]) continue;
    const double drop = middle(k - kSide) - middle(k);
    changes.push_back(std::abs(drop));
    // Just there, not somewhere among the three.
    if (drop > kLeastDrop && y[k - 1] - y[k] > 0.5 * drop) drops.emplace_back(drop, k);
  }
  if (changes.empty()) return {};
  const double usual = median(changes);
  std::sort(drops.rbegin(), drops.rend());
  std::vector<std::size_t> frames;
  for (const auto& [drop, k] : drops) {
    if (frames.size() < kMost && drop > kClear * usual) frames.push_back(night.used.frame[k]);
  }
  return frames;
}

// Refocuses that the positions do not show (they are stale, or were set by hand), where the sizes
// are far better explained with them.
FocusOfNight with_unseen_refocuses(FocusOfNight night, const TakenFrames& taken,
                                   const LightLoss& light,
                                   std::span<const std::optional<double>> moved) {
  constexpr std::size_t kMostUnseen = 6;
  const double needed =
      NightRules::kStepOdds + std::log(std::max<double>(1, static_cast<double>(taken.size())));
  while (night.stretches.unseen.size() < kMostUnseen) {
    std::optional<FocusOfNight> best;
    for (const std::size_t frame : sudden_drops(night)) {
      FocusOfNight tried =
          with_stretches(with_unseen_refocus(night.stretches, frame), taken, light, moved);
      if (!best || score(tried.model) > score(best->model)) best = std::move(tried);
    }
    if (!best || score(best->model) - score(night.model) < needed) break;
    night = std::move(*best);
  }
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
  night = with_unseen_refocuses(std::move(night), taken, light, moved);
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
