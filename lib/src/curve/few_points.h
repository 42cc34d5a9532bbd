// Up to three points without an allocation: a screening looks at hundreds of such sets.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <vector>

namespace starwaist::curve {

struct FewPoints {
  std::array<std::size_t, 3> points{};
  std::size_t count = 0;

  [[nodiscard]] FewPoints with(std::size_t point) const {
    FewPoints more = *this;  // rising
    std::size_t place = more.count++;
    for (; place > 0 && points[place - 1] > point; --place) more.points[place] = points[place - 1];
    more.points[place] = point;
    return more;
  }
  [[nodiscard]] bool holds(std::size_t point) const {
    return std::find(points.begin(), points.begin() + static_cast<std::ptrdiff_t>(count), point) !=
           points.begin() + static_cast<std::ptrdiff_t>(count);
  }
  [[nodiscard]] std::vector<std::size_t> set() const {
    return {points.begin(), points.begin() + static_cast<std::ptrdiff_t>(count)};
  }
};

}  // namespace starwaist::curve
