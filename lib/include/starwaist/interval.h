// A two-sided interval whose ends may be open.
//
// Module: core. Includes nothing of the project.
#pragma once

#include <optional>

namespace starwaist {

// [low, high] in the unit of the quantity it belongs to. An absent end means that the data do not
// bound the quantity on that side.
struct Interval {
  std::optional<double> low;
  std::optional<double> high;

  [[nodiscard]] bool bounded() const { return low.has_value() && high.has_value(); }
  [[nodiscard]] bool contains(double value) const {
    return (!low || value >= *low) && (!high || value <= *high);
  }
};

}  // namespace starwaist
