#include "stars/background.h"

#include <algorithm>
#include <boost/sort/pdqsort/pdqsort.hpp>
#include <cmath>
#include <cstdint>
#include <limits>
#include <span>
#include <utility>
#include <variant>

#include "core/parallel.h"
#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

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
  boost::sort::pdqsort(pixels.begin(), pixels.end());  // without branches on their order
  double level = 0;
  double sigma = 0;
  // The bright side is cut to convergence; stars never reach the dark side, so the spread is read
  // there.
  for (int round = 0; round < 12; ++round) {
    level = spread_quantile(pixels, 0.5, quantum);
    sigma = level - spread_quantile(pixels, numerics::kOneSigmaBelow, quantum);
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
bool fill_gaps(CellGrid& grid) {
  const CellGrid given = grid;
  const int columns = grid.columns;
  const int rows = grid.rows;
  bool any = false;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      float& cell = grid.at(row, column);
      if (std::isfinite(cell)) {
        any = true;
        continue;
      }
      for (int ring = 1; ring < std::max(columns, rows) && !std::isfinite(cell); ++ring) {
        std::vector<double> around;
        for (int r = std::max(0, row - ring); r <= std::min(rows - 1, row + ring); ++r) {
          for (int c = std::max(0, column - ring); c <= std::min(columns - 1, column + ring); ++c) {
            const float v = given.at(r, c);
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
void smooth(CellGrid& grid) {
  const CellGrid given = grid;
  std::vector<double> around;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      around.clear();
      for (int r = std::max(0, row - 1); r <= std::min(grid.rows - 1, row + 1); ++r) {
        for (int c = std::max(0, column - 1); c <= std::min(grid.columns - 1, column + 1); ++c) {
          around.push_back(given.at(r, c));
        }
      }
      // At an edge a median of six would flatten a gradient: only an outlier is replaced there.
      const double centre = median(around);
      float& cell = grid.at(row, column);
      const bool inner = around.size() == 9;
      if (inner || std::abs(cell - centre) > 3 * robust_sigma(around)) {
        cell = static_cast<float>(centre);
      }
    }
  }
}

// How the frame is cut into cells, which are as equal as whole pixels allow.
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
  // Of row or column `cell`; that of the number of cells is the frame's end.
  [[nodiscard]] int y_begin(int cell) const { return edge(cell, height_px, rows); }
  [[nodiscard]] int x_begin(int cell) const { return edge(cell, width_px, columns); }
  [[nodiscard]] CellGrid grid() const {
    return {columns, rows,
            std::vector<float>(static_cast<std::size_t>(rows) * static_cast<std::size_t>(columns),
                               kNoValue)};
  }

 private:
  static int edge(int cell, int length_px, int cells) {
    return static_cast<int>(std::lround(static_cast<double>(length_px) * cell / cells));
  }
};

struct MeshSky {
  CellGrid level_adu;
  CellGrid noise_adu;
};

// `row_of_cells(row, cells)` fills one row of cells; a cell without a level takes its neighbours'.
// The noise is smoothed.
template <class RowOfCells>
std::optional<MeshSky> filled_mesh(const Mesh& mesh, int threads, RowOfCells&& row_of_cells) {
  MeshSky sky{mesh.grid(), mesh.grid()};
  core::parallel_for(static_cast<std::size_t>(mesh.rows), threads, [&](std::size_t row_index) {
    const int row = static_cast<int>(row_index);
    std::vector<CellSky> cells(static_cast<std::size_t>(mesh.columns));
    row_of_cells(row, cells);
    for (int column = 0; column < mesh.columns; ++column) {
      const CellSky& cell = cells[static_cast<std::size_t>(column)];
      sky.level_adu.at(row, column) = cell.level_adu;
      sky.noise_adu.at(row, column) = cell.noise_adu;
    }
  });
  if (!fill_gaps(sky.level_adu) || !fill_gaps(sky.noise_adu)) return std::nullopt;
  smooth(sky.noise_adu);
  return sky;
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
  const double height = static_cast<double>(mesh.height_px) / mesh.rows;
  const auto row_of = [&](double y_px) {
    return std::clamp(static_cast<int>(y_px / height), 0, mesh.rows - 1);
  };
  for (const MaskedDisc& disc : discs) {
    // A pixel more: cells end at whole ones.
    for (int row = row_of(disc.y_px - disc.radius_px - 1);
         row <= row_of(disc.y_px + disc.radius_px + 1); ++row) {
      result[static_cast<std::size_t>(row)].push_back(&disc);
    }
  }
  return result;
}

double median_of(const CellGrid& grid) {
  return median(std::vector<double>(grid.value.begin(), grid.value.end()));
}

// Where a pixel lies among n cells over a length: the cell whose centre is at or before it, the
// next, and the fraction of the way, below 0 or above 1 beyond the outermost centres.
struct Between {
  int cell = 0;
  int next = 0;
  double fraction = 0;

  Between(double pixel, int length_px, int cells) {
    const double place = (pixel + 0.5) * cells / length_px - 0.5;
    cell = std::clamp(static_cast<int>(std::floor(place)), 0, std::max(cells - 2, 0));
    next = std::min(cell + 1, cells - 1);
    fraction = place - cell;
  }
};

// Quicker than std::lerp, which is exact at t = 1.
double between(double a, double b, double t) { return a + t * (b - a); }

}  // namespace

SkyMap::SkyMap(int width_px, int height_px, CellGrid level_adu, CellGrid noise_adu)
    : width_px_(width_px),
      height_px_(height_px),
      level_adu_(std::move(level_adu)),
      noise_adu_(std::move(noise_adu)),
      median_level_adu_(median_of(level_adu_)),
      median_noise_adu_(median_of(noise_adu_)),
      cells_of_pixel_(static_cast<double>(level_adu_.columns) / width_px) {
  for (int cell = 0; cell < level_adu_.columns; ++cell) {
    run_end_px_.push_back((cell + 1.5) / cells_of_pixel_ - 0.5);
  }
}

double SkyMap::interpolated(const CellGrid& grid, double x_px, double y_px) const {
  const Between x(x_px, width_px_, grid.columns);
  const Between y(y_px, height_px_, grid.rows);
  const auto across = [&](int row) {
    return between(grid.at(row, x.cell), grid.at(row, x.next), x.fraction);
  };
  return between(across(y.cell), across(y.next), y.fraction);
}

void SkyMap::subtract(double y_px, double first_x_px, double step_px,
                      std::span<float> values) const {
  // Linear between the centres of cells: one row of the mesh between two, then from knot to knot.
  const Between y(y_px, height_px_, level_adu_.rows);
  const auto knot = [&](int column) {
    return between(level_adu_.at(y.cell, column), level_adu_.at(y.next, column), y.fraction);
  };
  const Between first(first_x_px, width_px_, level_adu_.columns);
  const int count = static_cast<int>(values.size());
  const double cells_of_step = cells_of_pixel_ * step_px;
  const double steps_of_px = 1 / step_px;
  double at_cell = knot(first.cell);
  double fraction = first.fraction;
  int begin = 0;
  for (int cell = first.cell; begin < count; ++cell) {
    const bool last = cell + 2 >= level_adu_.columns;
    const double at_next = knot(std::min(cell + 1, level_adu_.columns - 1));
    int end = count;
    if (!last) {
      const double run_end_px = run_end_px_[static_cast<std::size_t>(cell)];
      end = std::clamp(static_cast<int>(std::ceil((run_end_px - first_x_px) * steps_of_px)), begin,
                       count);
    }
    const auto slope = static_cast<float>((at_next - at_cell) * cells_of_step);
    const auto start = static_cast<float>(at_cell + (at_next - at_cell) * fraction);
    float* value = values.data() + begin;
    for (int k = 0; k < end - begin; ++k) value[k] -= start + slope * static_cast<float>(k);
    fraction = (end * step_px + first_x_px + 0.5) * cells_of_pixel_ - 0.5 - (cell + 1);
    begin = end;
    at_cell = at_next;
  }
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
  auto coarse = filled_mesh(mesh, threads, [&](int row, std::vector<CellSky>& cells) {
    std::vector<float> line(static_cast<std::size_t>(mesh.width_px));
    std::vector<std::vector<float>> pixels(cells.size());
    for (int y = mesh.y_begin(row); y < mesh.y_begin(row + 1); y += y_step) {
      frame.pixels.read_row(y, 0, line);
      int x = (y / y_step) % x_step;  // each row begins at another place
      for (int column = 0; column < mesh.columns; ++column) {
        auto& cell = pixels[static_cast<std::size_t>(column)];
        for (; x < mesh.x_begin(column + 1); x += x_step) {
          const float value = line[static_cast<std::size_t>(x)];
          if (std::isfinite(value)) cell.push_back(value);
        }
      }
    }
    for (std::size_t column = 0; column < cells.size(); ++column) {
      cells[column] = cell_sky(pixels[column], quantum);
    }
  });
  if (!coarse) return std::nullopt;
  smooth(coarse->level_adu);
  const SkyMap first(mesh.width_px, mesh.height_px, std::move(coarse->level_adu),
                     std::move(coarse->noise_adu));
  // The widest filter averages some 1700 pixels: the level must be known better than that.
  return refined_sky(frame, first, {}, threads);
}

std::optional<SkyMap> refined_sky(const Frame& frame, const SkyMap& first,
                                  const std::vector<MaskedDisc>& discs, int threads) {
  const Mesh mesh(frame);
  const auto discs_of_row = discs_by_row(mesh, discs);
  // Every second row of a full cell: 8192 pixels give the level to 1.1 % of the noise before the
  // surface is laid through 25 cells.
  const int y_step = mesh.cell_px >= 128 ? 2 : 1;
  auto sky = filled_mesh(mesh, threads, [&](int row, std::vector<CellSky>& cells) {
    std::vector<CellSums> sums(cells.size());
    for (int column = 0; column < mesh.columns; ++column) {
      const double x = 0.5 * (mesh.x_begin(column) + mesh.x_begin(column + 1) - 1);
      const double y = 0.5 * (mesh.y_begin(row) + mesh.y_begin(row + 1) - 1);
      CellSums& own = sums[static_cast<std::size_t>(column)];
      own.first_adu = static_cast<float>(first.level_adu(x, y));
      own.reach_adu = static_cast<float>(kMeanClipSigmas * first.noise_adu(x, y));
    }
    std::vector<float> line(static_cast<std::size_t>(mesh.width_px));
    for (int y = mesh.y_begin(row); y < mesh.y_begin(row + 1); y += y_step) {
      frame.pixels.read_row(y, 0, line);
      for (const MaskedDisc* disc : discs_of_row[static_cast<std::size_t>(row)]) {
        blank_disc(*disc, y, line);
      }
      for (int column = 0; column < mesh.columns; ++column) {
        const auto begin = static_cast<std::size_t>(mesh.x_begin(column));
        const auto end = static_cast<std::size_t>(mesh.x_begin(column + 1));
        sums[static_cast<std::size_t>(column)].add(
            std::span<const float>(line).subspan(begin, end - begin));
      }
    }
    for (std::size_t column = 0; column < cells.size(); ++column) {
      cells[column] = sums[column].sky();
    }
  });
  if (!sky) return std::nullopt;
  // Straight lines between four points a cell stay within a 64th of the curve's bend a cell.
  constexpr int kPointsOfCell = 4;
  const double pixels_of_cell = static_cast<double>(mesh.cell_px) * mesh.cell_px / y_step;
  const double height_of_width = (static_cast<double>(mesh.height_px) / mesh.rows) /
                                 (static_cast<double>(mesh.width_px) / mesh.columns);
  const double cell_sigma = median_of(sky->noise_adu) / std::sqrt(pixels_of_cell);
  return SkyMap(mesh.width_px, mesh.height_px,
                level_surface(sky->level_adu, height_of_width, cell_sigma, kPointsOfCell, threads),
                std::move(sky->noise_adu));
}

}  // namespace starwaist::stars
