// Stars close to each other.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <vector>

#include "stars/one_star.h"

namespace starwaist::stars {

// Calls visit(i, j, distance_px) for every pair of places within reach, both ways round, by a sweep
// over the rows. place(i) gives a Centre.
template <class PlaceOf, class Visitor>
void for_each_neighbour(std::size_t count, PlaceOf&& place, double reach_px, Visitor&& visit) {
  std::vector<std::size_t> order(count);
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    const double ya = place(a).y_px;
    const double yb = place(b).y_px;
    return ya != yb ? ya < yb : a < b;
  });
  std::size_t begin = 0;
  for (std::size_t k = 0; k < order.size(); ++k) {
    const Centre here = place(order[k]);
    while (place(order[begin]).y_px < here.y_px - reach_px) ++begin;
    for (std::size_t j = begin; j < k; ++j) {
      const Centre other = place(order[j]);
      if (std::abs(other.x_px - here.x_px) > reach_px) continue;
      const double distance = std::hypot(other.x_px - here.x_px, other.y_px - here.y_px);
      if (distance > reach_px) continue;
      visit(order[k], order[j], distance);
      visit(order[j], order[k], distance);
    }
  }
}

// Of stars whose centroids met, the first stays: what is left of a cut-up object leads to the same
// star several times. `size_px`: the frame's.
void drop_repeats(double size_px, std::vector<MeasuredStar>& stars);

// Sets `blended` where a neighbour's light inside the aperture would change the size.
void mark_blends(const GrowthProfile& profile, std::vector<MeasuredStar>& stars);

}  // namespace starwaist::stars
