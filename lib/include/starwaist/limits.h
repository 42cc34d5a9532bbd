// The numbers that a fact or an option may take.
//
// Module: core. Includes nothing of the project.
#pragma once

#include <string>

namespace starwaist {

struct NumberLimits {
  double low = -1e300;  // so that what is not finite is outside of all limits
  double high = 1e300;
  bool low_excluded = false;
  bool high_excluded = false;

  [[nodiscard]] constexpr bool contains(double value) const {
    return (low_excluded ? value > low : value >= low) &&
           (high_excluded ? value < high : value <= high);
  }
};

// A length, a gain and the like.
inline constexpr NumberLimits kPositive{0, 1e300, true, false};
inline constexpr NumberLimits kNotNegative{0, 1e300, false, false};

// "above 0", "at least 0 and below 1", "finite"
std::string limits_words(const NumberLimits& limits);

}  // namespace starwaist
