#include "night/spell.h"

#include <cmath>

#include "starwaist/numbers.h"

namespace starwaist::night {

std::vector<std::vector<std::size_t>> runs_of(const std::vector<bool>& mask, std::size_t gap) {
  std::vector<std::vector<std::size_t>> runs;
  for (std::size_t i = 0; i < mask.size(); ++i) {
    if (!mask[i]) continue;
    if (runs.empty() || i - runs.back().back() > gap + 1) runs.emplace_back();
    runs.back().push_back(i);
  }
  return runs;
}

std::string from_to_words(const TakenFrames& taken, const std::vector<std::size_t>& frames) {
  return "From " + time_words(taken, frames.front()) + " to " + time_words(taken, frames.back());
}

std::string percent_words(double ln_growth) {
  return format_fixed(100 * std::expm1(ln_growth), 0) + " %";
}

}  // namespace starwaist::night
