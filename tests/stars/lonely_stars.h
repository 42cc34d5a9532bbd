// What the tests of measure_frame share: fields of bright, lonely stars; light added to a frame.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <span>
#include <utility>
#include <vector>

#include "starwaist/frame.h"
#include "support/analytic_stars.h"

namespace starwaist::analytic {

// Bright, lonely stars: what is left of an error is the method's.
inline FieldOptions lonely(double size_px, int count) {
  FieldOptions options;
  options.star_count = count;
  const double spacing = std::max(14 * size_px, 24.0);
  const int side = static_cast<int>(std::sqrt(count) * spacing * 1.7);
  options.width_px = side;
  options.height_px = side;
  options.min_separation_px = spacing;
  options.margin_px = spacing / 2;
  options.faintest_e = 2e4 * std::max(1.0, size_px * size_px / 10);
  options.brightest_e = 30 * options.faintest_e;
  options.saturation_adu = 65535;
  options.sky_e = 100;
  if (options.brightest_e / (10 * size_px * size_px) > 5e4) options.gain_e_per_adu = 4;
  return options;
}

// Adds light(x, y) to every pixel.
template <class Light>
void add_light(Frame& frame, Light&& light) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  std::vector<float> pixels(static_cast<std::size_t>(width) * static_cast<std::size_t>(height));
  for (int y = 0; y < height; ++y) {
    const auto row = std::span<float>(pixels).subspan(
        static_cast<std::size_t>(y) * static_cast<std::size_t>(width),
        static_cast<std::size_t>(width));
    frame.pixels.read_row(y, 0, row);
    for (int x = 0; x < width; ++x) {
      row[static_cast<std::size_t>(x)] += static_cast<float>(light(x, y));
    }
  }
  frame.pixels = PixelBuffer(width, height, std::move(pixels));
}

// 1 %: the bias asked of every profile but the widest wings.
constexpr double kBias = 0.01;

}  // namespace starwaist::analytic
