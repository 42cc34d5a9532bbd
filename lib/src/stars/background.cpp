#include "stars/background.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>

#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

std::size_t cell_index(int row, int columns, int column) {
  return static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) +
         static_cast<std::size_t>(column);
}

constexpr int kLargestCellPx = 128;  // 3.5 times a ring of 25 px half-flux radius
constexpr int kSmallestCellPx = 16;
constexpr std::size_t kFewestSkyPixels = 48;  // a cell with fewer takes its neighbours' value
constexpr double kClipSigmas = 3.0;
constexpr double kMeanClipSigmas = 4.0;
constexpr float kNoValue = std::numeric_limits<float>::quiet_NaN();

struct CellSky {
  float level_adu = kNoValue;
  float noise_adu = kNoValue;
};

// Quantile of a sample stored in whole counts: each count is spread evenly over one quantum, so
// that a level between two counts is seen (half a count matters in a sum over a wide aperture).
double spread_quantile(const std::vector<float>& sorted, double q, double quantum) {
  const double place = q * static_cast<double>(sorted.size());
  const auto index = std::min(static_cast<std::size_t>(place), sorted.size() - 1);
  const float value = sorted[index];
  const auto [first, last] = std::equal_range(sorted.begin(), sorted.end(), value);
  const double below = static_cast<double>(first - sorted.begin());
  const double equal = static_cast<double>(last - first);
  return value - quantum / 2 + quantum * (place - below) / equal;
}

CellSky cell_sky(std::vector<float>& pixels, double quantum) {
  if (pixels.size() < kFewestSkyPixels) return {};
  std::sort(pixels.begin(), pixels.end());
  constexpr double kOneSigmaBelow = 0.158655;  // Phi(-1)
  double level = 0;
  double sigma = 0;
  // The bright side is cut to convergence; stars never reach the dark side, so the spread is read
  // there.
  for (int round = 0; round < 12; ++round) {
    level = spread_quantile(pixels, 0.5, quantum);
    sigma = level - spread_quantile(pixels, kOneSigmaBelow, quantum);
    if (!(sigma > 0)) break;
    const auto low = std::lower_bound(pixels.begin(), pixels.end(),
                                      static_cast<float>(level - kClipSigmas * sigma));
    const auto high = std::upper_bound(pixels.begin(), pixels.end(),
                                       static_cast<float>(level + kClipSigmas * sigma));
    const auto kept = static_cast<std::size_t>(high - low);
    if (kept == pixels.size() || kept < kFewestSkyPixels) break;
    pixels.erase(high, pixels.end());
    pixels.erase(pixels.begin(), low);
  }
  return {static_cast<float>(level), static_cast<float>(std::max(sigma, 0.0))};
}

// Mean of the pixels within four sigma of the level.
double clipped_mean(const std::vector<float>& pixels, const CellSky& sky) {
  double sum = 0;
  std::size_t count = 0;
  const double reach = kMeanClipSigmas * sky.noise_adu;
  for (const float p : pixels) {
    if (std::abs(p - sky.level_adu) > reach) continue;
    sum += p;
    ++count;
  }
  return count == 0 ? sky.level_adu : sum / static_cast<double>(count);
}

// Fills cells without a value from the nearest ring of cells that have one; false if none has.
bool fill_gaps(std::vector<float>& grid, int columns, int rows) {
  const std::vector<float> given = grid;
  bool any = false;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      float& cell = grid[cell_index(row, columns, column)];
      if (std::isfinite(cell)) {
        any = true;
        continue;
      }
      for (int ring = 1; ring < std::max(columns, rows) && !std::isfinite(cell); ++ring) {
        std::vector<double> around;
        for (int r = std::max(0, row - ring); r <= std::min(rows - 1, row + ring); ++r) {
          for (int c = std::max(0, column - ring); c <= std::min(columns - 1, column + ring); ++c) {
            const float v = given[cell_index(r, columns, c)];
            if (std::isfinite(v)) around.push_back(v);
          }
        }
        if (!around.empty()) cell = static_cast<float>(median(around));
      }
    }
  }
  return any;
}

// Replaces a cell by the median of its neighbourhood where it stands out from it.
void smooth(std::vector<float>& grid, int columns, int rows) {
  const std::vector<float> given = grid;
  std::vector<double> around;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      around.clear();
      for (int r = std::max(0, row - 1); r <= std::min(rows - 1, row + 1); ++r) {
        for (int c = std::max(0, column - 1); c <= std::min(columns - 1, column + 1); ++c) {
          around.push_back(given[cell_index(r, columns, c)]);
        }
      }
      // At an edge a median of six would flatten a gradient: only an outlier is replaced there.
      const double centre = median(around);
      float& cell = grid[cell_index(row, columns, column)];
      const double spread = robust_sigma(around);
      const bool inner = around.size() == 9;
      if (inner || std::abs(cell - centre) > 3 * spread) cell = static_cast<float>(centre);
    }
  }
}

}  // namespace

SkyMap::SkyMap(int cell_px, int columns, int rows, std::vector<float> level_adu,
               std::vector<float> noise_adu)
    : cell_px_(cell_px),
      columns_(columns),
      rows_(rows),
      level_adu_(std::move(level_adu)),
      noise_adu_(std::move(noise_adu)) {}

double SkyMap::interpolated(const std::vector<float>& grid, double x_px, double y_px) const {
  const auto place = [this](double pixel, int cells, int& below, double& fraction) {
    const double cell = std::clamp((pixel + 0.5) / cell_px_ - 0.5, 0.0, cells - 1.0);
    below = std::min(static_cast<int>(cell), std::max(cells - 2, 0));
    fraction = cell - below;
  };
  int column = 0;
  int row = 0;
  double fx = 0;
  double fy = 0;
  place(x_px, columns_, column, fx);
  place(y_px, rows_, row, fy);
  const int right = std::min(column + 1, columns_ - 1);
  const int down = std::min(row + 1, rows_ - 1);
  const auto at = [&](int r, int c) {
    return static_cast<double>(grid[cell_index(r, columns_, c)]);
  };
  return std::lerp(std::lerp(at(row, column), at(row, right), fx),
                   std::lerp(at(down, column), at(down, right), fx), fy);
}

void SkyMap::level_row(int y_px, int x_begin_px, std::span<float> out) const {
  // The map is linear between cell centres along a row: walk from knot to knot.
  std::size_t i = 0;
  while (i < out.size()) {
    const int x = x_begin_px + static_cast<int>(i);
    const double cell = (x + 0.5) / cell_px_ - 0.5;
    const double next_knot = (std::floor(cell) + 1.5) * cell_px_ - 0.5;
    const auto last =
        std::min(out.size() - 1, i + static_cast<std::size_t>(std::max(1.0, next_knot - x)));
    const double start = level_adu(x, y_px);
    const double end = level_adu(x_begin_px + static_cast<double>(last), y_px);
    const double slope = last > i ? (end - start) / static_cast<double>(last - i) : 0.0;
    for (std::size_t k = i; k <= last; ++k) {
      out[k] = static_cast<float>(start + slope * static_cast<double>(k - i));
    }
    i = last + 1;
  }
}

double SkyMap::level_adu(double x_px, double y_px) const {
  return interpolated(level_adu_, x_px, y_px);
}

double SkyMap::noise_adu(double x_px, double y_px) const {
  return interpolated(noise_adu_, x_px, y_px);
}

double SkyMap::median_level_adu() const {
  return median(std::vector<double>(level_adu_.begin(), level_adu_.end()));
}

double SkyMap::median_noise_adu() const {
  return median(std::vector<double>(noise_adu_.begin(), noise_adu_.end()));
}

int sky_cell_px(int width_px, int height_px) {
  return std::clamp(std::min(width_px, height_px) / 4, kSmallestCellPx, kLargestCellPx);
}

std::optional<SkyMap> map_sky(const Frame& frame, const std::vector<MaskedDisc>& discs) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  const int cell = sky_cell_px(width, height);
  const int columns = std::max(1, (width + cell / 2) / cell);
  const int rows = std::max(1, (height + cell / 2) / cell);
  // A quarter of a full cell's pixels suffices: 4096 give the level to 1.5 % of the noise, and the
  // mesh is smoothed over nine cells. Mosaic neighbours are not independent, so the step is odd.
  const int step = cell >= 128 ? 2 : 1;
  const bool whole_counts =
      std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage());
  const double quantum = whole_counts ? std::abs(frame.pixels.scale()) : 0.0;

  std::vector<std::vector<const MaskedDisc*>> discs_of_row(static_cast<std::size_t>(rows));
  for (const MaskedDisc& disc : discs) {
    for (int row = 0; row < rows; ++row) {
      if (disc.y_px + disc.radius_px >= row * cell &&
          (disc.y_px - disc.radius_px < (row + 1) * cell || row == rows - 1)) {
        discs_of_row[static_cast<std::size_t>(row)].push_back(&disc);
      }
    }
  }

  std::vector<float> level(static_cast<std::size_t>(columns * rows), kNoValue);
  std::vector<float> noise(level.size(), kNoValue);
  std::vector<float> line(static_cast<std::size_t>(width));
  std::vector<std::vector<float>> pixels(static_cast<std::size_t>(columns));
  for (int row = 0; row < rows; ++row) {
    for (auto& p : pixels) p.clear();
    const int y_end = row == rows - 1 ? height : (row + 1) * cell;
    for (int y = row * cell; y < y_end; y += step) {
      frame.pixels.read_row(y, 0, line);
      for (const MaskedDisc* disc : discs_of_row[static_cast<std::size_t>(row)]) {
        const double dy = y - disc->y_px;
        const double half = std::sqrt(std::max(0.0, disc->radius_px * disc->radius_px - dy * dy));
        if (half == 0) continue;
        const int begin = std::max(0, static_cast<int>(std::ceil(disc->x_px - half)));
        const int end = std::min(width - 1, static_cast<int>(std::floor(disc->x_px + half)));
        for (int x = begin; x <= end; ++x) line[static_cast<std::size_t>(x)] = kNoValue;
      }
      for (int x = (y / step) % step; x < width; x += step) {
        const float value = line[static_cast<std::size_t>(x)];
        if (!std::isfinite(value)) continue;
        pixels[static_cast<std::size_t>(std::min(x / cell, columns - 1))].push_back(value);
      }
    }
    for (int column = 0; column < columns; ++column) {
      auto& sample = pixels[static_cast<std::size_t>(column)];
      const CellSky sky = cell_sky(sample, quantum);
      const auto index = cell_index(row, columns, column);
      if (!std::isfinite(sky.level_adu)) continue;
      level[index] = static_cast<float>(discs.empty() ? sky.level_adu : clipped_mean(sample, sky));
      noise[index] = sky.noise_adu;
    }
  }
  if (!fill_gaps(level, columns, rows) || !fill_gaps(noise, columns, rows)) return std::nullopt;
  smooth(level, columns, rows);
  smooth(noise, columns, rows);
  return SkyMap(cell, columns, rows, std::move(level), std::move(noise));
}

}  // namespace starwaist::stars
