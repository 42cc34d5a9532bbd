#include "numerics/grid.h"

namespace starwaist::numerics {

std::optional<PlaceInCells> place_of_mass(std::span<const double> masses, double goal) {
  double below = 0;
  for (std::size_t i = 0; i < masses.size(); ++i) {
    if (masses[i] > 0 && below + masses[i] >= goal) {
      return PlaceInCells{i, (goal - below) / masses[i]};
    }
    below += masses[i];
  }
  return std::nullopt;
}

}  // namespace starwaist::numerics
