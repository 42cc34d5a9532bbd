// Pixels that another program wrote beside a file, as little-endian doubles row by row.
#pragma once

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "support/temporary_folder.h"

namespace starwaist::testing_support {

// How many pixels differ from those in `raw_file` (both NaN counts as equal); -1 where the number
// of pixels does.
inline int different_pixels(const PixelBuffer& pixels, const std::string& raw_file) {
  const std::string raw = bytes_of(raw_file);
  std::vector<double> expected(raw.size() / sizeof(double));
  std::copy(raw.begin(), raw.end(), reinterpret_cast<char*>(expected.data()));
  const int width = pixels.width_px();
  if (expected.empty() || expected.size() != static_cast<std::size_t>(width) *
                                                 static_cast<std::size_t>(pixels.height_px())) {
    return -1;
  }
  int different = 0;
  for (std::size_t i = 0; i < expected.size(); ++i) {
    const double value = pixels.at(static_cast<int>(i) % width, static_cast<int>(i) / width);
    different += value == expected[i] || (std::isnan(value) && std::isnan(expected[i])) ? 0 : 1;
  }
  return different;
}

}  // namespace starwaist::testing_support
