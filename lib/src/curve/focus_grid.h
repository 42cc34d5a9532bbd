// Places of best focus, evenly spaced, with the probability of each.
#pragma once

#include <cstddef>
#include <utility>
#include <vector>

namespace starwaist::curve {

struct FocusGrid {
  double first_steps = 0;
  double step_steps = 1;
  std::vector<double> mass;

  [[nodiscard]] double steps(double index) const { return first_steps + step_steps * index; }
  // Place below which a part `share` of the whole mass between two indices lies.
  [[nodiscard]] double quantile(std::size_t begin, std::size_t end, double share) const;
};

// The places between which the mass sinks below a thousandth of its top, each with its share.
struct Hill {
  std::size_t begin = 0;
  std::size_t end = 0;
  double share = 0;
};

// Likeliest first.
std::vector<Hill> hills(const FocusGrid& grid);

// The part of a grid outside of which hardly any mass lies, a place more on both sides; in steps.
std::pair<double, double> where_mass_is(const FocusGrid& grid);

}  // namespace starwaist::curve
