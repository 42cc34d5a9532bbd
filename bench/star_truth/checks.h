// What the bench itself stands on, held against other ways to the same numbers.
#pragma once

#include <random>

namespace starwaist::bench::star_truth {

void check_profiles();

// The formula of the least scatter against a small Monte Carlo.
void check_limit(std::mt19937_64& random, int trials);

// Frames of the library's renderer against its own truth.
void run_rendered();

}  // namespace starwaist::bench::star_truth
