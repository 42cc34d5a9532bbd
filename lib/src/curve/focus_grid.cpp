#include "curve/focus_grid.h"

#include <algorithm>
#include <span>

#include "numerics/grid.h"

namespace starwaist::curve {

double FocusGrid::quantile(std::size_t begin, std::size_t end, double share) const {
  double total = 0;
  for (std::size_t i = begin; i < end; ++i) total += mass[i];
  const auto place =
      numerics::place_of_mass(std::span(mass).subspan(begin, end - begin), share * total);
  if (!place) return steps(static_cast<double>(end) - 1);
  return steps(static_cast<double>(begin + place->cell) - 0.5 + place->part);
}

std::vector<Hill> hills(const FocusGrid& grid) {
  constexpr double kLow = 1e-3;
  std::vector<Hill> found;
  double total = 0;
  bool inside = false;
  for (std::size_t i = 0; i < grid.mass.size(); ++i) {
    total += grid.mass[i];
    if (grid.mass[i] < kLow) {
      inside = false;
      continue;
    }
    if (!inside) found.push_back({i, i, 0});
    inside = true;
    found.back().end = i + 1;
    found.back().share += grid.mass[i];
  }
  for (Hill& hill : found) hill.share /= total;
  std::sort(found.begin(), found.end(),
            [](const Hill& a, const Hill& b) { return a.share > b.share; });
  return found;
}

std::pair<double, double> where_mass_is(const FocusGrid& grid) {
  constexpr double kTail = 1e-6;
  double total = 0;
  for (const double mass : grid.mass) total += mass;
  std::size_t begin = 0;
  std::size_t end = grid.mass.size() - 1;
  for (double sum = grid.mass[begin]; begin < end && sum < kTail * total; sum += grid.mass[begin]) {
    ++begin;
  }
  for (double sum = grid.mass[end]; end > begin && sum < kTail * total; sum += grid.mass[end]) {
    --end;
  }
  return {grid.steps(static_cast<double>(begin) - 1), grid.steps(static_cast<double>(end) + 1)};
}

}  // namespace starwaist::curve
