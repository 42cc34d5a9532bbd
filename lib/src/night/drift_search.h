// Stage: the drift that explains the sizes best.
//
// In: an explanation without a drift. Out: the same with one, where that pays.
//
// Private header of module night.
#pragma once

#include "night/explanation.h"

namespace starwaist::night {

// Whether temperature or time changes enough within a stretch to show a drift.
bool can_drift(const SizesProblem& problem, DriftBy by);

// Rates are tried with origins at the refocuses, then other origins where they pay.
Explanation with_drift(const SizesProblem& problem, const Explanation& before, DriftBy by);

}  // namespace starwaist::night
