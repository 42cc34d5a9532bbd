// The surface that a mesh of sky levels is a sample of.
#pragma once

#include <cstddef>
#include <vector>

namespace starwaist::stars {

// A value for each cell of a grid, row by row.
struct CellGrid {
  int columns = 0;
  int rows = 0;
  std::vector<float> value;

  [[nodiscard]] float at(int row, int column) const { return value[index(row, column)]; }
  float& at(int row, int column) { return value[index(row, column)]; }
  [[nodiscard]] std::size_t index(int row, int column) const {
    return static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) +
           static_cast<std::size_t>(column);
  }
};

// The level at points_of_cell by points_of_cell points of every cell, evenly spread, from the
// cells' mean levels: what the whole frame shares (a gradient, the fall of light away from an
// axis), and over it a quadratic surface through the five by five cells around (shifted inward at
// the frame's edge). Cells that stand out (a galaxy, a bright star's halo) count little (Tukey's
// bisquare, 1974, from memory). `height_of_width`: of a cell, so that round falls of light are
// known as such. `cell_sigma`: the levels' own standard error; what stands out by a
// few of these is noise. No value may be absent. The same answer for any number of threads.
CellGrid level_surface(const CellGrid& means, double height_of_width, double cell_sigma,
                       int points_of_cell, int threads);

}  // namespace starwaist::stars
