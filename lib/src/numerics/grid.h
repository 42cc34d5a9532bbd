// Quantiles of a distribution that is known by the masses of cells side by side.
//
// For posteriors on a grid: best focus by a known slope (curve), the width of a slack (advice), a
// tube's lag (drift).
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace starwaist::numerics {

struct PlaceInCells {
  std::size_t cell = 0;
  double part = 0;  // of that cell's mass that lies below the place, 0 to 1
};

// The place below which `goal` of the mass lies, by even density in each cell: the quantile of
// share q for goal = q times the whole mass. The cell of index i and width h about x_i has it at
// x_i + h (part - 0.5). Absent where the cells hold less than `goal`. Precondition: masses >= 0,
// goal >= 0.
std::optional<PlaceInCells> place_of_mass(std::span<const double> masses, double goal);

}  // namespace starwaist::numerics
