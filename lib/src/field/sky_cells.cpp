#include <algorithm>
#include <cmath>
#include <vector>

#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr int kRowsOfCell = 100;  // that are looked at, and as many pixels of each
constexpr std::size_t kFewestPixels = 200;
// Standard deviations at which pixels are clipped, and the standard deviation of a normal
// distribution that is cut there: sqrt(1 - 2 k phi(k) / (2 Phi(k) - 1)).
constexpr double kClip = 2.5;
constexpr double kClippedSpread = 0.9546;

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
      // Moments of what is near the median: a median of whole numbers is a whole number.
      const double middle = median(values);
      const double reach = kClip * std::max(robust_sigma(values), 1e-9);
      double count = 0;
      double sum = 0;
      double squares = 0;
      for (const double value : values) {
        if (std::abs(value - middle) > reach) continue;
        ++count;
        sum += value - middle;
        squares += (value - middle) * (value - middle);
      }
      const double mean = sum / count;
      cells.level_adu.push_back(middle + mean);
      cells.noise_adu.push_back(std::sqrt(std::max(0.0, squares / count - mean * mean)) /
                                kClippedSpread);
    }
  }
  return cells;
}

}  // namespace starwaist
