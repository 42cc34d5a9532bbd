#include "stars/background.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <span>
#include <utility>
#include <variant>

#include "core/parallel.h"
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

// Sums over a cell's pixels within four sigmas of a first level.
struct CellSums {
  float first_adu = kNoValue;
  float reach_adu = 0;
  int count = 0;
  double sum = 0;  // of the differences from the first level
  double sum_below = 0;
  double squares_below = 0;

  void add(std::span<const float> run) {
    const float first = first_adu;
    const float reach = reach_adu;
    float run_sum = 0;
    float run_below = 0;
    float run_squares = 0;
    int run_count = 0;
#pragma omp simd reduction(+ : run_sum, run_below, run_squares, run_count)
    for (std::size_t i = 0; i < run.size(); ++i) {
      const float difference = run[i] - first;
      const bool kept = std::abs(difference) <= reach;  // false for NaN
      const float counted = kept ? difference : 0.0F;
      const float below = counted < 0 ? counted : 0.0F;
      run_count += kept ? 1 : 0;
      run_sum += counted;
      run_below += below;
      run_squares += below * below;
    }
    count += run_count;
    sum += run_sum;
    sum_below += run_below;
    squares_below += run_squares;
  }

  // The mean, since a star's aperture sums the mean of the sky, and the median of few photons lies
  // below it; and the spread on the dark side of the mean, to the second order in the mean's
  // distance from the first level.
  [[nodiscard]] CellSky sky() const {
    if (count < static_cast<int>(kFewestSkyPixels)) return {};
    const double shift = sum / count;
    const double square =
        (squares_below - 2 * shift * sum_below + 0.5 * count * shift * shift) / (0.5 * count);
    return {static_cast<float>(first_adu + shift),
            static_cast<float>(std::sqrt(std::max(square, 0.0)))};
  }
};

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
      const bool inner = around.size() == 9;
      if (inner || std::abs(cell - centre) > 3 * robust_sigma(around)) {
        cell = static_cast<float>(centre);
      }
    }
  }
}

// How the frame is cut into cells. The last column and row of cells take what is left over.
struct Mesh {
  int width_px = 0;
  int height_px = 0;
  int cell_px = 0;
  int columns = 0;
  int rows = 0;

  explicit Mesh(const Frame& frame)
      : width_px(frame.pixels.width_px()),
        height_px(frame.pixels.height_px()),
        cell_px(sky_cell_px(width_px, height_px)),
        columns(std::max(1, (width_px + cell_px / 2) / cell_px)),
        rows(std::max(1, (height_px + cell_px / 2) / cell_px)) {}
  [[nodiscard]] int y_end(int row) const {
    return row == rows - 1 ? height_px : (row + 1) * cell_px;
  }
  [[nodiscard]] int x_end(int column) const {
    return column == columns - 1 ? width_px : (column + 1) * cell_px;
  }
  [[nodiscard]] std::size_t cells() const {
    return static_cast<std::size_t>(rows) * static_cast<std::size_t>(columns);
  }
};

// Level and noise of each cell, smoothed. `row_of_cells(row, cells)` fills one row of cells; a cell
// without a level takes its neighbours'.
template <class RowOfCells>
std::optional<SkyMap> filled_mesh(const Mesh& mesh, int threads, RowOfCells&& row_of_cells) {
  const auto columns = static_cast<std::size_t>(mesh.columns);
  std::vector<float> level(mesh.cells(), kNoValue);
  std::vector<float> noise(mesh.cells(), kNoValue);
  core::parallel_for(static_cast<std::size_t>(mesh.rows), threads, [&](std::size_t row) {
    std::vector<CellSky> cells(columns);
    row_of_cells(static_cast<int>(row), cells);
    for (std::size_t column = 0; column < columns; ++column) {
      level[row * columns + column] = cells[column].level_adu;
      noise[row * columns + column] = cells[column].noise_adu;
    }
  });
  if (!fill_gaps(level, mesh.columns, mesh.rows) || !fill_gaps(noise, mesh.columns, mesh.rows)) {
    return std::nullopt;
  }
  smooth(level, mesh.columns, mesh.rows);
  smooth(noise, mesh.columns, mesh.rows);
  return SkyMap(mesh.cell_px, mesh.columns, mesh.rows, std::move(level), std::move(noise));
}

// Takes the pixels of row y that lie in the disc out.
void blank_disc(const MaskedDisc& disc, int y, std::vector<float>& line) {
  const double dy = y - disc.y_px;
  const double square = disc.radius_px * disc.radius_px - dy * dy;
  if (!(square > 0)) return;
  const double half = std::sqrt(square);
  const int begin = std::max(0, static_cast<int>(std::ceil(disc.x_px - half)));
  const int end =
      std::min(static_cast<int>(line.size()) - 1, static_cast<int>(std::floor(disc.x_px + half)));
  for (int x = begin; x <= end; ++x) line[static_cast<std::size_t>(x)] = kNoValue;
}

// The discs that a row of cells can meet.
std::vector<std::vector<const MaskedDisc*>> discs_by_row(const Mesh& mesh,
                                                         const std::vector<MaskedDisc>& discs) {
  std::vector<std::vector<const MaskedDisc*>> result(static_cast<std::size_t>(mesh.rows));
  const auto row_of = [&](double y_px) {
    return std::clamp(static_cast<int>(y_px / mesh.cell_px), 0, mesh.rows - 1);
  };
  for (const MaskedDisc& disc : discs) {
    for (int row = row_of(disc.y_px - disc.radius_px); row <= row_of(disc.y_px + disc.radius_px);
         ++row) {
      result[static_cast<std::size_t>(row)].push_back(&disc);
    }
  }
  return result;
}

}  // namespace

SkyMap::SkyMap(int cell_px, int columns, int rows, std::vector<float> level_adu,
               std::vector<float> noise_adu)
    : cell_px_(cell_px),
      columns_(columns),
      rows_(rows),
      level_adu_(std::move(level_adu)),
      noise_adu_(std::move(noise_adu)),
      median_level_adu_(median(std::vector<double>(level_adu_.begin(), level_adu_.end()))),
      median_noise_adu_(median(std::vector<double>(noise_adu_.begin(), noise_adu_.end()))) {}

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

template <class Run>
void SkyMap::for_each_run(int y_px, int x_begin_px, int count, Run&& run) const {
  // Linear between the centres of cells: one row of the mesh between two, then from knot to knot.
  const double row = std::clamp((y_px + 0.5) / cell_px_ - 0.5, 0.0, rows_ - 1.0);
  const int upper = std::min(static_cast<int>(row), std::max(rows_ - 2, 0));
  const int lower = std::min(upper + 1, rows_ - 1);
  const double fy = row - upper;
  const auto knot = [&](int column) {
    return std::lerp(static_cast<double>(level_adu_[cell_index(upper, columns_, column)]),
                     static_cast<double>(level_adu_[cell_index(lower, columns_, column)]), fy);
  };
  int x = x_begin_px;
  const int x_end = x_begin_px + count;
  while (x < x_end) {
    // Pixel x lies between the centres of cells `left` and left + 1, constant beyond the outer
    // ones.
    const double place = (x + 0.5) / cell_px_ - 0.5;
    const int left = static_cast<int>(std::floor(place));
    const int end = std::min(
        x_end, std::max(x + 1, static_cast<int>(std::ceil((left + 1.5) * cell_px_ - 0.5))));
    const double at_left = knot(std::clamp(left, 0, columns_ - 1));
    const double at_right = knot(std::clamp(left + 1, 0, columns_ - 1));
    run(x - x_begin_px, end - x_begin_px,
        static_cast<float>(std::lerp(at_left, at_right, place - left)),
        static_cast<float>((at_right - at_left) / cell_px_));
    x = end;
  }
}

void SkyMap::subtract_from_row(int y_px, int x_begin_px, std::span<float> pixels) const {
  for_each_run(y_px, x_begin_px, static_cast<int>(pixels.size()),
               [&](int begin, int end, float start, float slope) {
                 float* value = pixels.data() + begin;
                 for (int k = 0; k < end - begin; ++k) {
                   value[k] -= start + slope * static_cast<float>(k);
                 }
               });
}

double SkyMap::level_adu(double x_px, double y_px) const {
  return interpolated(level_adu_, x_px, y_px);
}

double SkyMap::noise_adu(double x_px, double y_px) const {
  return interpolated(noise_adu_, x_px, y_px);
}

int sky_cell_px(int width_px, int height_px) {
  return std::clamp(std::min(width_px, height_px) / 4, kSmallestCellPx, kLargestCellPx);
}

std::optional<SkyMap> map_sky(const Frame& frame, int threads) {
  const Mesh mesh(frame);
  const bool whole_counts =
      std::holds_alternative<std::vector<std::uint16_t>>(frame.pixels.storage());
  const double quantum = whole_counts ? std::abs(frame.pixels.scale()) : 0.0;
  // Some 500 pixels a cell give the median to 6 % of the noise. The steps are odd, since neighbours
  // in a mosaic are not alike.
  const int y_step = mesh.cell_px >= 128 ? 5 : mesh.cell_px >= 64 ? 3 : 1;
  const int x_step = mesh.cell_px >= 128 ? 7 : mesh.cell_px >= 64 ? 3 : 1;
  const auto coarse = filled_mesh(mesh, threads, [&](int row, std::vector<CellSky>& cells) {
    std::vector<float> line(static_cast<std::size_t>(mesh.width_px));
    std::vector<std::vector<float>> pixels(cells.size());
    for (int y = row * mesh.cell_px; y < mesh.y_end(row); y += y_step) {
      frame.pixels.read_row(y, 0, line);
      int x = (y / y_step) % x_step;  // each row begins at another place
      for (int column = 0; column < mesh.columns; ++column) {
        auto& cell = pixels[static_cast<std::size_t>(column)];
        for (; x < mesh.x_end(column); x += x_step) {
          const float value = line[static_cast<std::size_t>(x)];
          if (std::isfinite(value)) cell.push_back(value);
        }
      }
    }
    for (std::size_t column = 0; column < cells.size(); ++column) {
      cells[column] = cell_sky(pixels[column], quantum);
    }
  });
  // The widest filter averages some 1700 pixels: the level must be known better than that.
  return coarse ? refined_sky(frame, *coarse, {}, threads) : coarse;
}

std::optional<SkyMap> refined_sky(const Frame& frame, const SkyMap& first,
                                  const std::vector<MaskedDisc>& discs, int threads) {
  const Mesh mesh(frame);
  const auto discs_of_row = discs_by_row(mesh, discs);
  // Every second row of a full cell: 8192 pixels give the level to 1.1 % of the noise before the
  // mesh is smoothed over nine cells.
  const int y_step = mesh.cell_px >= 128 ? 2 : 1;
  return filled_mesh(mesh, threads, [&](int row, std::vector<CellSky>& cells) {
    std::vector<CellSums> sums(cells.size());
    for (int column = 0; column < mesh.columns; ++column) {
      const auto cell = cell_index(row, mesh.columns, column);
      CellSums& own = sums[static_cast<std::size_t>(column)];
      own.first_adu = first.cell_level_adu(cell);
      own.reach_adu = static_cast<float>(kMeanClipSigmas) * first.cell_noise_adu(cell);
    }
    std::vector<float> line(static_cast<std::size_t>(mesh.width_px));
    for (int y = row * mesh.cell_px; y < mesh.y_end(row); y += y_step) {
      frame.pixels.read_row(y, 0, line);
      for (const MaskedDisc* disc : discs_of_row[static_cast<std::size_t>(row)]) {
        blank_disc(*disc, y, line);
      }
      for (int column = 0; column < mesh.columns; ++column) {
        const auto begin =
            static_cast<std::size_t>(column) * static_cast<std::size_t>(mesh.cell_px);
        const auto end = static_cast<std::size_t>(mesh.x_end(column));
        sums[static_cast<std::size_t>(column)].add(
            std::span<const float>(line).subspan(begin, end - begin));
      }
    }
    for (std::size_t column = 0; column < cells.size(); ++column) {
      cells[column] = sums[column].sky();
    }
  });
}

}  // namespace starwaist::stars
