#include "starwaist/limits.h"

#include "starwaist/numbers.h"

namespace starwaist {

std::string limits_words(const NumberLimits& limits) {
  const NumberLimits none;
  const std::string low =
      (limits.low_excluded ? "above " : "at least ") + format_shortest(limits.low);
  const std::string high =
      (limits.high_excluded ? "below " : "at most ") + format_shortest(limits.high);
  if (limits.low > none.low && limits.high < none.high) return low + " and " + high;
  if (limits.low > none.low) return low;
  if (limits.high < none.high) return high;
  return "finite";
}

}  // namespace starwaist
