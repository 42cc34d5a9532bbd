// The image of an out-of-focus star as a blurred disc less a smaller one.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace starwaist::donuts {

// A square stamp, row by row; its middle pixel is at (size / 2, size / 2), size odd.
struct DonutImage {
  int size = 0;
  std::vector<float> values;

  [[nodiscard]] std::size_t index(int x, int y) const {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(size) +
           static_cast<std::size_t>(x);
  }
};

struct DonutFit {
  double radius_px = 0;
  double hole_of_radius = 0;  // the shadow's radius over it
  double outline_x = 0;       // shadow's outline less the donut's, over the radius
  double outline_y = 0;
  double rise_x = 0;  // relative change of brightness across one radius
  double rise_y = 0;
  double blur_px = 0;
};

// How much darker the middle is than the ring: 1 - middle / ring. `radius_px` of the donut.
double central_dip(const DonutImage& image, double radius_px);

// Least squares; absent where it does not settle on a disc with a shadow inside.
std::optional<DonutFit> fit_donut(const DonutImage& image, double start_radius_px);

}  // namespace starwaist::donuts
