// Sums of likelihoods whose logarithms are known, and odds.
//
// For the evidence of rival accounts (curve, diagnosis, drift, night).
#pragma once

#include <array>
#include <cmath>
#include <span>

namespace starwaist::numerics {

// ln of the sum of exp(logs); -infinity (the logarithm of zero) where all of them are.
// Precondition: not empty, none NaN or +infinity.
double log_sum(std::span<const double> logs);
inline double log_sum(double a, double b) { return log_sum(std::array{a, b}); }

// ln (p / (1 - p)) and back.
inline double log_odds_of(double probability) { return std::log(probability / (1 - probability)); }
inline double probability_of(double log_odds) { return 1 / (1 + std::exp(-log_odds)); }

}  // namespace starwaist::numerics
