// The parts of the bench. Each prints its lines; what it holds against a claim comes back.
#pragma once

#include <random>

#include "coverage/claims.h"

namespace starwaist::bench::coverage {

// Coverage of the intervals and error over Fisher's limit.
Claims intervals(int trials, std::mt19937_64& random, bool give_sigma);

// What bad points cost.
Claims outliers(int trials, std::mt19937_64& random);

// Runs that must not be trusted.
Claims false_trust(int trials, std::mt19937_64& random);

// Runs of a kind that the fit does not model: nothing may fall apart.
void foreign(int trials, std::mt19937_64& random);

// Error in half zones.
void rendered_accuracy(int trials, std::mt19937_64& random);

// Answers a second.
Claims rate(std::mt19937_64& random);

}  // namespace starwaist::bench::coverage
