#include "stars/sky_surface.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <map>
#include <utility>
#include <vector>

#include "core/parallel.h"
#include "numerics/normal_equations.h"
#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {
namespace {

constexpr int kWindowCells = 5;
constexpr int kMostCells = kWindowCells * kWindowCells;
constexpr int kMostTerms = 6;

// One row a cell, one column a term. A column of zeros, or one that follows from others, is a term
// that the cells leave open: it is taken as 0.
template <int kTerms, int kMostRows>
using DesignOf = Eigen::Matrix<double, Eigen::Dynamic, kTerms, Eigen::RowMajor, kMostRows, kTerms>;
template <int kMostRows>
using ValuesOf = Eigen::Matrix<double, Eigen::Dynamic, 1, Eigen::ColMajor, kMostRows, 1>;

using Design = DesignOf<kMostTerms, kMostCells>;
using Values = ValuesOf<kMostCells>;

// Spread of residuals of a fit of `terms` terms, no less than the cells' own error.
template <int kMostRows>
double spread_of(const ValuesOf<kMostRows>& residual, int terms, double cell_sigma) {
  ValuesOf<kMostRows> size = residual.cwiseAbs();
  const auto n = size.size();
  std::nth_element(size.data(), size.data() + n / 2, size.data() + n);
  const double freedom = std::max(static_cast<double>(n - terms), 1.0) / static_cast<double>(n);
  return std::max(cell_sigma, numerics::kSigmaOfMadRounded * size[n / 2] / std::sqrt(freedom));
}

double bisquare(double z) {
  return numerics::bisquare_weight(z * z / (numerics::kBisquare * numerics::kBisquare));
}

template <int kTerms, int kMostRows>
Eigen::Matrix<double, kTerms, 1> weighted_fit(const DesignOf<kTerms, kMostRows>& design,
                                              const ValuesOf<kMostRows>& values,
                                              const ValuesOf<kMostRows>& weight) {
  constexpr double kRidge = 1e-9;  // for terms that the cells or the weights leave open
  numerics::NormalEquations<kTerms> equations;
  equations.information.diagonal().setConstant(kRidge);
  for (Eigen::Index i = 0; i < values.size(); ++i) {
    equations.add(design.row(i).transpose(), values[i], weight[i]);
  }
  return equations.solve();
}

template <int kMostRows>
struct RobustFit {
  ValuesOf<kMostRows> residual;
  ValuesOf<kMostRows> weight;
  double spread = 0;
};

// By least absolute deviations first, which a few cells cannot draw away, then by the bisquare.
// `left_out` is foretold by the others (-1: none).
template <int kTerms, int kMostRows>
RobustFit<kMostRows> robust_fit(const DesignOf<kTerms, kMostRows>& design,
                                const ValuesOf<kMostRows>& values, int terms, double cell_sigma,
                                Eigen::Index left_out) {
  constexpr int kAbsoluteRounds = 10;
  constexpr int kRounds = 16;
  constexpr double kFlat = 0.3;
  RobustFit<kMostRows> fit;
  fit.weight = ValuesOf<kMostRows>::Ones(values.size());
  for (int round = 0; round < kRounds; ++round) {
    if (left_out >= 0) fit.weight[left_out] = 0;
    fit.residual = values - design * weighted_fit<kTerms, kMostRows>(design, values, fit.weight);
    fit.spread = spread_of<kMostRows>(fit.residual, terms, cell_sigma);
    for (Eigen::Index i = 0; i < values.size(); ++i) {
      const double z = std::abs(fit.residual[i]) / fit.spread;
      fit.weight[i] = round < kAbsoluteRounds ? 1 / std::max(z, kFlat) : bisquare(z);
    }
  }
  return fit;
}

// Cells of a window, seen from the cell in question.
class Window {
 public:
  // The window of `columns` by `rows` cells whose first lies `left` and `up` cells from the cell.
  Window(int columns, int rows, int left, int up) : design_(columns * rows, kMostTerms) {
    constexpr double kOverACell = 1.0 / 12;  // the mean of x^2 over a cell round its centre
    for (int r = 0; r < rows; ++r) {
      for (int c = 0; c < columns; ++c) {
        const double x = c - left;
        const double y = r - up;
        design_.row(r * columns + c) << 1, columns >= 2 ? x : 0.0, rows >= 2 ? y : 0.0,
            columns >= 3 ? x * x + kOverACell : 0.0, columns >= 2 && rows >= 2 ? x * y : 0.0,
            rows >= 3 ? y * y + kOverACell : 0.0;
      }
    }
    own_ = up * columns + left;
    const Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd> solver(design_);
    const Eigen::MatrixXd inverse = solver.pseudoInverse();
    centre_ = inverse.row(0).transpose();
    hat_ = design_ * inverse;
    terms_ = static_cast<int>(solver.rank());
  }

  // The surface's level at the cell's centre from the cells' means.
  [[nodiscard]] double level(const Values& means, double cell_sigma) const {
    if (means.size() - terms_ < 3) return centre_.dot(means);
    const Values residual = means - hat_ * means;
    // Several cells that stand out widen the spread they are judged by: no wider than faint stars
    // between the found ones make it.
    constexpr double kOrdinary = 3.0;
    constexpr double kWidest = 3.0;
    const double s =
        std::min(spread_of<kMostCells>(residual, terms_, cell_sigma), kWidest * cell_sigma);
    if (residual.cwiseAbs().maxCoeff() <= kOrdinary * s) return centre_.dot(means);
    // What the rest of the window says of the cell. The cell itself counts as far as it
    // agrees: one in a corner could draw the surface through itself, whatever it is.
    auto fit = robust_fit<kMostTerms, kMostCells>(design_, means, terms_, cell_sigma, own_);
    const double foretold = 1 / std::sqrt(std::max(1 - hat_(own_, own_), 0.01));
    fit.weight[own_] = bisquare(std::abs(fit.residual[own_]) / (foretold * fit.spread));
    return weighted_fit<kMostTerms, kMostCells>(design_, means, fit.weight)[0];
  }

 private:
  Design design_;
  Values centre_;  // weights of the means in the level at the centre
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::ColMajor, kMostCells, kMostCells>
      hat_;
  Eigen::Index own_ = 0;
  int terms_ = 0;
};

// The part of the levels that the whole frame shares: a gradient, and light that falls with even
// powers up to the sixth of the distance from an axis, wherever that lies. Five cells across
// such a fall no quadratic follows.
class Trend {
 public:
  Trend(const CellGrid& means, double height_of_width, double cell_sigma)
      : columns_(means.columns),
        rows_(means.rows),
        height_(height_of_width),
        unit_(0.5 * std::max<double>(means.columns, height_of_width * means.rows)) {
    const auto n = static_cast<Eigen::Index>(means.value.size());
    if (n < 2 * kTerms || std::min(columns_, rows_) < 4) return;
    DesignOf<kTerms, Eigen::Dynamic> design(n, kTerms);
    ValuesOf<Eigen::Dynamic> values(n);
    for (int r = 0; r < rows_; ++r) {
      for (int c = 0; c < columns_; ++c) {
        const auto cell = static_cast<Eigen::Index>(means.index(r, c));
        design.row(cell) = over_cell(c, r).transpose();
        values[cell] = means.at(r, c);
      }
    }
    const auto fit = robust_fit<kTerms, Eigen::Dynamic>(design, values, kTerms, cell_sigma, -1);
    terms_ = weighted_fit<kTerms, Eigen::Dynamic>(design, values, fit.weight);
  }

  // Column and row may lie between cells' centres.
  [[nodiscard]] double at(double column, double row) const {
    return terms_.dot(at_point(column, row));
  }
  [[nodiscard]] double mean_over_cell(int column, int row) const {
    return terms_.dot(over_cell(column, row));
  }

 private:
  static constexpr int kTerms = 12;
  using Terms = Eigen::Matrix<double, kTerms, 1>;

  [[nodiscard]] Terms at_point(double column, double row) const {
    const double x = (column - 0.5 * (columns_ - 1)) / unit_;
    const double y = height_ * (row - 0.5 * (rows_ - 1)) / unit_;
    const double square = x * x + y * y;
    return Terms{{1, x, y, x * x, x * y, y * y, square * x, square * y, square * square,
                  square * square * x, square * square * y, square * square * square}};
  }
  // The mean over a cell of side h exceeds the value in its middle by h^2 / 24 of the Laplacian
  // (the sides differ by some per cent, which counts for nothing here).
  [[nodiscard]] Terms over_cell(int column, int row) const {
    const double x = (column - 0.5 * (columns_ - 1)) / unit_;
    const double y = height_ * (row - 0.5 * (rows_ - 1)) / unit_;
    const double square = x * x + y * y;
    const Terms laplacian{{0, 0, 0, 2, 0, 2, 8 * x, 8 * y, 16 * square, 24 * square * x,
                           24 * square * y, 36 * square * square}};
    return at_point(column, row) + laplacian * (height_ / (24 * unit_ * unit_));
  }

  int columns_;
  int rows_;
  double height_;  // of a cell, in its widths
  double unit_;    // half the frame's longer side, in widths of a cell
  Terms terms_ = Terms::Zero();
};

// What the cells' means leave over the trend, at the cells' centres.
CellGrid local_surface(const CellGrid& means, const Trend& trend, double cell_sigma, int threads) {
  const int across = std::min(kWindowCells, means.columns);
  const int down = std::min(kWindowCells, means.rows);
  const auto first = [](int cell, int window, int cells) {
    return std::clamp(cell - window / 2, 0, cells - window);
  };
  std::map<std::pair<int, int>, Window> windows;
  CellGrid left_over = means;
  for (int row = 0; row < means.rows; ++row) {
    const int up = row - first(row, down, means.rows);
    for (int column = 0; column < means.columns; ++column) {
      const int left = column - first(column, across, means.columns);
      windows.try_emplace({left, up}, across, down, left, up);
      left_over.at(row, column) =
          static_cast<float>(means.at(row, column) - trend.mean_over_cell(column, row));
    }
  }
  CellGrid out = left_over;
  core::parallel_for(static_cast<std::size_t>(means.rows), threads, [&](std::size_t row_index) {
    const int row = static_cast<int>(row_index);
    const int top = first(row, down, means.rows);
    Values around(across * down);
    for (int column = 0; column < means.columns; ++column) {
      const int begin = first(column, across, means.columns);
      for (int r = 0; r < down; ++r) {
        for (int c = 0; c < across; ++c) around[r * across + c] = left_over.at(top + r, begin + c);
      }
      const Window& window = windows.at({column - begin, row - top});
      out.at(row, column) = static_cast<float>(window.level(around, cell_sigma));
    }
  });
  return out;
}

// Weights of n cells' values in those at `factor` points a cell, (k + 1/2) / factor cells from the
// first cell's edge: cubic convolution, exact for quadratics (Keys 1981, from memory).
Eigen::MatrixXd subdividing(int n, int factor) {
  Eigen::MatrixXd weights = Eigen::MatrixXd::Zero(Eigen::Index{n} * factor, n);
  for (int k = 0; k < n * factor; ++k) {
    const double place = (k + 0.5) / factor - 0.5;
    const int below = static_cast<int>(std::floor(place));
    const double t = place - below;
    const std::array keys{((-0.5 * t + 1) * t - 0.5) * t, (1.5 * t - 2.5) * t * t + 1,
                          ((-1.5 * t + 2) * t + 0.5) * t, (0.5 * t - 0.5) * t * t};
    for (int i = 0; i < 4; ++i) {
      const int cell = below - 1 + i;
      const double weight = keys.at(static_cast<std::size_t>(i));
      if (cell >= 0 && cell < n) {
        weights(k, cell) += weight;
        continue;
      }
      // A cell beyond the edge follows from the outermost three (two, one).
      const int end = cell < 0 ? 0 : n - 1;
      const int in = cell < 0 ? 1 : -1;
      const double d = std::abs(cell - end);
      if (n >= 3) {
        weights(k, end) += weight * (d + 1) * (d + 2) / 2;
        weights(k, end + in) -= weight * d * (d + 2);
        weights(k, end + 2 * in) += weight * d * (d + 1) / 2;
      } else if (n == 2) {
        weights(k, end) += weight * (d + 1);
        weights(k, end + in) -= weight * d;
      } else {
        weights(k, end) += weight;
      }
    }
  }
  return weights;
}

}  // namespace

CellGrid level_surface(const CellGrid& means, double height_of_width, double cell_sigma,
                       int points_of_cell, int threads) {
  const Trend trend(means, height_of_width, cell_sigma);
  const CellGrid local = local_surface(means, trend, cell_sigma, threads);
  using Grid = Eigen::Matrix<float, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  const Eigen::Map<const Grid> given(local.value.data(), local.rows, local.columns);
  CellGrid out{means.columns * points_of_cell, means.rows * points_of_cell, {}};
  out.value.resize(static_cast<std::size_t>(out.columns) * static_cast<std::size_t>(out.rows));
  Eigen::Map<Grid>(out.value.data(), out.rows, out.columns) =
      (subdividing(means.rows, points_of_cell) * given.cast<double>() *
       subdividing(means.columns, points_of_cell).transpose())
          .cast<float>();
  const auto place = [&](int point) { return (point + 0.5) / points_of_cell - 0.5; };
  for (int row = 0; row < out.rows; ++row) {
    for (int column = 0; column < out.columns; ++column) {
      out.at(row, column) += static_cast<float>(trend.at(place(column), place(row)));
    }
  }
  return out;
}

}  // namespace starwaist::stars
