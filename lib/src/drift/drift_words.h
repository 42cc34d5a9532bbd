// Numbers of steps in messages.
#pragma once

#include <string>

#include "starwaist/numbers.h"

namespace starwaist::drift {

inline std::string steps_words(double steps) {
  return format_like_sigma(steps, std::nullopt) + " steps";
}

inline std::string above_or_below(double steps) { return steps > 0 ? "above" : "below"; }

}  // namespace starwaist::drift
