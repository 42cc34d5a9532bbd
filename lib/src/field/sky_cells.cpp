#include <algorithm>
#include <cmath>
#include <vector>

#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr int kRowsOfCell = 100;  // that are looked at, and as many pixels of each
constexpr std::size_t kFewestPixels = 200;

}  // namespace

std::optional<SkyCells> sky_cells(const Frame& frame) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  const int x_stride = std::max(1, width / kSkyColumns / kRowsOfCell);
  const int y_stride = std::max(1, height / kSkyRows / kRowsOfCell);
  SkyCells cells;
  std::vector<double> values;
  for (int row = 0; row < kSkyRows; ++row) {
    for (int column = 0; column < kSkyColumns; ++column) {
      values.clear();
      for (int y = row * height / kSkyRows; y < (row + 1) * height / kSkyRows; y += y_stride) {
        for (int x = column * width / kSkyColumns; x < (column + 1) * width / kSkyColumns;
             x += x_stride) {
          const double value = frame.pixels.at(x, y);
          if (std::isfinite(value)) values.push_back(value);
        }
      }
      if (values.size() < kFewestPixels) return std::nullopt;
      cells.level_adu.push_back(median(values));
      cells.noise_adu.push_back(robust_sigma(values));
    }
  }
  return cells;
}

}  // namespace starwaist
