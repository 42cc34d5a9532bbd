// When a refocus pays.
//
// Private header of module night.
#pragma once

#include "night/focus_model.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct RuleFacts {
  double level_size_px = 0;          // in focus in typical seeing, filter with the most frames
  double c_per_hour = 0;             // how fast the temperature changes
  std::optional<double> seen_limit;  // ln size over that level that seeing hardly passed
  bool focus_lost = false;
};

RefocusRule refocus_rule(const std::optional<Drift>& drift, const RuleFacts& facts,
                         const NightOptions& options);

}  // namespace starwaist::night
