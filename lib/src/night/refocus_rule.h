// Stage: when a refocus pays.
//
// In: the drift that was found, the night's level, seeing and rate of temperature. Out: the rule in
// degrees, minutes and sizes, as far as the night shows it.
//
// Private header of module night.
#pragma once

#include <optional>

#include "night/findings.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct RuleInput {
  std::optional<FocusDrift> drift;
  double level_size_px = 0;          // in focus in typical seeing, filter with the most frames
  double c_per_hour = 0;             // how fast the temperature changes
  std::optional<double> seen_limit;  // ln size over that level that seeing hardly passed
  bool focus_lost = false;           // in any period
  bool times_known = true;           // without: no rule in minutes
};

RuleInput rule_input(const Findings& found, bool focus_lost);

RefocusRule refocus_rule(const RuleInput& input, const NightOptions& options);

}  // namespace starwaist::night
