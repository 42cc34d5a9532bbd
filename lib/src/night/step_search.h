// Stage: steps of focus at single frames.
//
// In: an explanation. Out: the same with the steps that pay.
//
// Private header of module night.
#pragma once

#include "night/explanation.h"

namespace starwaist::night {

// Adds steps one at a time, each the one that explains most, while they pay.
Explanation with_steps(const SizesProblem& problem, Explanation explanation);

}  // namespace starwaist::night
