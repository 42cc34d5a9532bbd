#include <algorithm>
#include <cmath>
#include <vector>

#include "starwaist/stars.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr int kRowsOfCell = 100;  // that are looked at, and as many pixels of each
constexpr std::size_t kFewestPixels = 200;
// Standard deviations at which pixels are clipped, and the standard deviation of a normal
// distribution that is cut there: sqrt(1 - 2 k phi(k) / (2 Phi(k) - 1)).
constexpr double kClip = 2.5;
constexpr double kClippedSpread = 0.9546;

struct Moments {
  double mean = 0;
  double sigma = 0;
};

// Of what is near the median: a median of whole numbers is a whole number. The reach follows sigma:
// with a reach that stays, sigma would follow the noise by half only.
Moments clipped_moments(const std::vector<double>& values) {
  Moments moments{median(values), robust_sigma(values)};
  constexpr int kRounds = 8;
  for (int round = 0; round < kRounds; ++round) {
    const double reach = kClip * std::max(moments.sigma, 1e-9);
    double count = 0;
    double sum = 0;
    double squares = 0;
    for (const double value : values) {
      const double away = value - moments.mean;
      if (std::abs(away) > reach) continue;
      ++count;
      sum += away;
      squares += away * away;
    }
    if (!(count > 0)) break;
    const double shift = sum / count;
    moments.mean += shift;
    moments.sigma = std::sqrt(std::max(0.0, squares / count - shift * shift)) / kClippedSpread;
  }
  return moments;
}

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
      const Moments moments = clipped_moments(values);
      cells.level_adu.push_back(moments.mean);
      cells.noise_adu.push_back(moments.sigma);
    }
  }
  return cells;
}

}  // namespace starwaist
