// A number of steps as remarks write it.
#pragma once

#include <optional>
#include <string>

#include "starwaist/numbers.h"

namespace starwaist::advice {

inline std::string steps_text(double value) { return format_like_sigma(value, std::nullopt); }

}  // namespace starwaist::advice
