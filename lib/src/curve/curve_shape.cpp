#include "curve/curve_shape.h"

#include <algorithm>
#include <cstddef>
#include <tuple>

#include "curve/blur_table.h"

namespace starwaist::curve {

Shape Shape::blur(SeeingProfile profile, double obstruction) {
  static_assert(std::tuple_size_v<blur_table::Row> == kNodes);
  const blur_table::Table& table =
      profile == SeeingProfile::gaussian ? blur_table::kGaussian : blur_table::kKolmogorov;
  const double place = std::clamp(obstruction / blur_table::kObstructionStep, 0.0,
                                  static_cast<double>(table.size() - 1));
  const auto below = std::min(static_cast<std::size_t>(place), table.size() - 2);
  Shape shape;
  shape.tabulated_ = true;
  // The curve depends on the obstruction through its square.
  const double low = static_cast<double>(below);
  const double share = (place * place - low * low) / (2 * low + 1);
  for (std::size_t i = 0; i < kNodes; ++i) {
    shape.g_[i] = std::lerp(table[below][i], table[below + 1][i], share);
  }
  // g is even in u, so it starts level; Catmull-Rom tangents elsewhere.
  for (std::size_t i = 1; i + 1 < kNodes; ++i) {
    shape.tangent_[i] = 0.5 * (shape.g_[i + 1] - shape.g_[i - 1]);
  }
  return shape;
}

ShapeValue Shape::tabulated(double u) const {
  const double distance = std::abs(u);
  const double inverse = 1 / (distance + blur_table::kScale);
  const double place = distance * inverse * (1 / blur_table::kStep);
  double g = g_[kNodes - 1];
  double g_slope = 0;  // per unit of |u|
  if (place < kNodes - 1) {
    const auto i = static_cast<std::size_t>(place);
    const double s = place - static_cast<double>(i);
    const double rise = g_[i + 1] - g_[i];
    const double a = 3 * rise - 2 * tangent_[i] - tangent_[i + 1];
    const double b = tangent_[i] + tangent_[i + 1] - 2 * rise;
    g = g_[i] + s * (tangent_[i] + s * (a + s * b));
    g_slope = (tangent_[i] + s * (2 * a + 3 * s * b)) *
              (blur_table::kScale / blur_table::kStep * inverse * inverse);
  }
  const double h = std::sqrt(u * u + g);
  return {h, (u + 0.5 * (u < 0 ? -g_slope : g_slope)) / h};
}

}  // namespace starwaist::curve
