#include "numerics/line.h"

#include <cmath>
#include <cstddef>

namespace starwaist::numerics {

std::optional<WeightedLine> weighted_line(std::span<const double> x, std::span<const double> y,
                                          std::span<const double> weight) {
  double w0 = 0;
  double wx = 0;
  double wy = 0;
  double wxx = 0;
  double wxy = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double w = weight[i];
    w0 += w;
    wx += w * x[i];
    wy += w * y[i];
    wxx += w * x[i] * x[i];
    wxy += w * x[i] * y[i];
  }
  const double determinant = w0 * wxx - wx * wx;
  if (!(determinant > 1e-12 * w0 * wxx)) return std::nullopt;
  return WeightedLine{(wxx * wy - wx * wxy) / determinant, (w0 * wxy - wx * wy) / determinant,
                      std::sqrt(wxx / determinant), std::sqrt(w0 / determinant)};
}

}  // namespace starwaist::numerics
