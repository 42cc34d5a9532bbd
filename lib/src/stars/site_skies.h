// The sky of each site of a 2 x 2 tile, whatever stands in it.
//
// Private header of module stars.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <vector>

#include "core/parallel.h"
#include "numerics/robust.h"
#include "starwaist/frame.h"

namespace starwaist::stars {

// Median and lower-side spread of each of the tile's four sites in square blocks. The mesh of
// background.h looks for the sky under stars: where every twentieth pixel is hot it sinks too low.
class SiteSkies {
 public:
  SiteSkies(const Frame& mosaic, int threads)
      : columns_((mosaic.pixels.width_px() + kBlockPx - 1) / kBlockPx),
        rows_((mosaic.pixels.height_px() + kBlockPx - 1) / kBlockPx),
        of_block_(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_)) {
    core::parallel_for(static_cast<std::size_t>(rows_), threads,
                       [&](std::size_t row) { find_row(mosaic, static_cast<int>(row)); });
  }

  struct Sky {
    float level_adu = 0;
    float noise_adu = std::numeric_limits<float>::infinity();  // nothing stands out there
  };
  [[nodiscard]] const Sky& at(int x_px, int y_px) const {
    const std::size_t block =
        static_cast<std::size_t>(y_px / kBlockPx) * static_cast<std::size_t>(columns_) +
        static_cast<std::size_t>(x_px / kBlockPx);
    return of_block_[block][static_cast<std::size_t>(2 * (y_px % 2) + x_px % 2)];
  }

 private:
  static constexpr int kBlockPx = 128;  // even, so that a site keeps its number
  static constexpr int kEvery = 4;      // of the site's rows: a thousand values a block will do
  static constexpr std::size_t kFewest = 32;

  void find_row(const Frame& mosaic, int block_row) {
    const int width = mosaic.pixels.width_px();
    const int begin = block_row * kBlockPx;
    const int end = std::min(begin + kBlockPx, mosaic.pixels.height_px());
    std::vector<float> row(static_cast<std::size_t>(width));
    std::vector<std::array<std::vector<float>, 4>> values(static_cast<std::size_t>(columns_));
    for (int y = begin; y < end; y += (y % 2 == 0 ? 1 : 2 * kEvery - 1)) {
      mosaic.pixels.read_row(y, 0, row);
      for (int x = 0; x < width; ++x) {
        const float value = row[static_cast<std::size_t>(x)];
        if (!std::isfinite(value)) continue;
        values[static_cast<std::size_t>(x / kBlockPx)]
              [static_cast<std::size_t>(2 * (y % 2) + x % 2)]
                  .push_back(value);
      }
    }
    for (int column = 0; column < columns_; ++column) {
      for (std::size_t site = 0; site < 4; ++site) {
        auto& some = values[static_cast<std::size_t>(column)][site];
        if (some.size() < kFewest) continue;
        const auto middle = some.begin() + static_cast<std::ptrdiff_t>(some.size() / 2);
        std::nth_element(some.begin(), middle, some.end());
        const float level = *middle;
        const auto low =
            some.begin() + static_cast<std::ptrdiff_t>(std::llround(
                               numerics::kOneSigmaBelow * static_cast<double>(some.size())));
        std::nth_element(some.begin(), low, middle);
        // Counts that hardly scatter at all are rounded to whole ones.
        const int block = block_row * columns_ + column;
        Sky& sky = of_block_[static_cast<std::size_t>(block)][site];
        sky = {level, std::max(level - *low, 0.3F)};
      }
    }
  }

  int columns_;
  int rows_;
  std::vector<std::array<Sky, 4>> of_block_;
};

}  // namespace starwaist::stars
