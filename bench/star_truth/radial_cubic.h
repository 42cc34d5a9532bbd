// Interpolation in tables over the radius.
#pragma once

#include <cstddef>
#include <vector>

namespace starwaist::bench::star_truth {

// Between the entries of a table over the radius, by the cubic through the four around `place` (in
// entries). The function is even: what lies before the first entry is the second.
// Precondition: two entries follow that of `place`.
inline double radial_cubic(const std::vector<double>& table, double place) {
  const auto i = static_cast<std::size_t>(place);
  const double s = place - static_cast<double>(i);
  const double a = table[i == 0 ? 1 : i - 1], b = table[i], c = table[i + 1], d = table[i + 2];
  return b + 0.5 * s * (c - a + s * (2 * a - 5 * b + 4 * c - d + s * (3 * (b - c) + d - a)));
}

}  // namespace starwaist::bench::star_truth
