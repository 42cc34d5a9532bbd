#include <algorithm>
#include <cmath>
#include <string>

#include "night/refocus_rule.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

// Level of the filter with the most frames.
double level_size_px(const Findings& found) {
  const std::string filter = lower_case(found.sizes.filters.front().filter.value_or(""));
  std::vector<double> levels;
  for (const NightFrame& f : found.taken.frames) {
    if (lower_case(f.filter.value_or("")) != filter) continue;
    if (const auto level = found.focus.level_of(f)) levels.push_back(*level);
  }
  if (levels.empty()) levels = found.focus.model.levels;
  return std::exp(median(levels) + found.sizes.typical);
}

// The ln size over the level that three frames in a row hardly passed by seeing alone; absent for
// too few frames.
std::optional<double> seen_limit(const Findings& found) {
  constexpr std::size_t kFewest = 20;
  constexpr double kHardly = 0.98;  // quantile
  std::vector<double> seen;
  for (const auto& value : found.focus.seen) {
    if (value) seen.push_back(*value - found.sizes.typical);
  }
  if (seen.size() < kFewest) return std::nullopt;
  std::vector<double> of_three;
  for (std::size_t k = 1; k + 1 < seen.size(); ++k) {
    of_three.push_back(std::min({seen[k - 1], seen[k], seen[k + 1]}));
  }
  return std::max(sample_quantile(of_three, kHardly), NightRules::kLost);
}

// From one refocus to the next; 0 where temperatures are not known.
double c_per_hour(const Sizes& s) {
  if (s.temperature_c.empty()) return 0;
  double change = 0;
  double hours = 0;
  for (std::size_t k = 0, first = 0; k < s.size(); ++k) {
    const bool ends = k + 1 == s.size() || s.stretch[k + 1] != s.stretch[first];
    if (!ends) continue;
    change += std::abs(s.temperature_c[k] - s.temperature_c[first]);
    hours += (s.time_s[k] - s.time_s[first]) / 3600;
    first = k + 1;
  }
  return hours > 0 ? change / hours : 0;
}

}  // namespace

RuleInput rule_input(const Findings& found, bool focus_lost) {
  return {.drift = found.focus.model.drift,
          .level_size_px = level_size_px(found),
          .c_per_hour = c_per_hour(found.focus.used.sizes),
          .seen_limit = seen_limit(found),
          .focus_lost = focus_lost,
          .times_known = found.taken.times_known};
}

}  // namespace starwaist::night
