// Whether conditions that a caller gives can be planned with.
#pragma once

#include "starwaist/conditions.h"
#include "starwaist/error.h"

namespace starwaist::advice {

// Errors: invalid_argument for conditions that no curve can be drawn from.
Result<void> check_conditions(const ObservingConditions& conditions);

}  // namespace starwaist::advice
