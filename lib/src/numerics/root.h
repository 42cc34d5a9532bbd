// Where a rising function of one variable reaches a value.
//
// For lookups that need no speed: a profile's radius of a share of the light (stars), the distance
// at which a curve has a size (advice, arrival). Searches that are called often keep steps of their
// own.
#pragma once

namespace starwaist::numerics {

struct Bracket {
  double low = 0;
  double high = 0;
};

// Halves the bracket `halvings` times about the place where `below(x)` turns from true to false;
// the middle of what is left, so that the error is at most (high - low) / 2^(halvings + 1). An end
// where `below` does not turn inside.
template <class Below>
double bisect(Bracket bracket, int halvings, const Below& below) {
  for (int i = 0; i < halvings; ++i) {
    const double middle = 0.5 * (bracket.low + bracket.high);
    (below(middle) ? bracket.low : bracket.high) = middle;
  }
  return 0.5 * (bracket.low + bracket.high);
}

}  // namespace starwaist::numerics
