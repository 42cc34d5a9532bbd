// Stage: the spells as periods of the answer.
//
// In: the findings. Out: the periods in the order of their beginnings, and the cause that cost each
// frame most.
//
// Private header of module night.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "night/findings.h"
#include "starwaist/night.h"

namespace starwaist::night {

struct Periods {
  std::vector<NightPeriod> periods;
  std::vector<std::optional<std::string>> cause;  // by frame in the order taken
};

Periods find_periods(const Findings& found);

}  // namespace starwaist::night
