// Images of a frame's bright out-of-focus stars.
#pragma once

#include <cmath>
#include <cstddef>
#include <optional>
#include <vector>

#include "field/donut.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace starwaist::donuts {

inline constexpr double kLeastRadiusPx = 3.5;  // a smaller shadow is lost between the pixels
inline constexpr std::size_t kFewestShadows = 4;

// Outer radius of a ring of this half-flux radius; of a typical one without its obstruction.
inline double radius_of(double hfr_px, double obstruction = 0.3) {
  return hfr_px / std::sqrt((1 + obstruction * obstruction) / 2);
}

// Images of the frame's bright stars, the brightest first.
struct Stamps {
  double radius_px = 0;  // of a typical ring
  double bin = 1;        // frame pixels in one of an image
  std::vector<DonutImage> images;
  std::vector<double> snr;
};

// Absent where too few stars are bright and large enough.
std::optional<Stamps> stamps_of(const Frame& frame, const FrameMeasurement& measured);

// Pixel by pixel the weighted median, so that a hot pixel or a neighbour of one star does not show;
// each star's weight is its signal's square, held level above a signal that shows the shadow well
// by itself.
DonutImage stack_of(const std::vector<DonutImage>& stamps, const std::vector<double>& snr,
                    std::size_t first, std::size_t stride);

}  // namespace starwaist::donuts
