#include "stars/registration.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/core.hpp>
#include <unordered_map>

namespace starwaist::stars {
namespace {

constexpr std::size_t kVoters = 80;  // brightest stars of each frame that vote for a shift

std::int64_t cell_key(std::int64_t column, std::int64_t row) {
  return (row << 32) ^ (column & 0xffffffff);
}

struct Vote {
  double dx = 0;
  double dy = 0;
};

struct Shift {
  Vote shift;
  int votes = 0;
};

// The shift on which most pairs agree: votes in cells twice the tolerance wide, each cell counted
// with its neighbours, then the mean of the votes near the best cell.
Shift best_shift(std::span<const StarPlace> places, std::span<const StarPlace> reference,
                 double sign, double tolerance_px) {
  std::unordered_map<std::int64_t, std::vector<Vote>> cells;
  const double cell_px = 2 * tolerance_px;
  const auto cell_of = [cell_px](double v) {
    return static_cast<std::int64_t>(std::floor(v / cell_px));
  };
  for (const StarPlace& p : places.first(std::min(places.size(), kVoters))) {
    for (const StarPlace& r : reference.first(std::min(reference.size(), kVoters))) {
      const Vote vote{r.x_px - sign * p.x_px, r.y_px - sign * p.y_px};
      cells[cell_key(cell_of(vote.dx), cell_of(vote.dy))].push_back(vote);
    }
  }
  const auto gather = [&](const Vote& centre, double reach) {
    Shift sum;
    for (std::int64_t row = cell_of(centre.dy) - 1; row <= cell_of(centre.dy) + 1; ++row) {
      for (std::int64_t column = cell_of(centre.dx) - 1; column <= cell_of(centre.dx) + 1;
           ++column) {
        const auto cell = cells.find(cell_key(column, row));
        if (cell == cells.end()) continue;
        for (const Vote& v : cell->second) {
          if (std::hypot(v.dx - centre.dx, v.dy - centre.dy) > reach) continue;
          sum.shift.dx += v.dx;
          sum.shift.dy += v.dy;
          ++sum.votes;
        }
      }
    }
    if (sum.votes > 0) {
      sum.shift.dx /= sum.votes;
      sum.shift.dy /= sum.votes;
    }
    return sum;
  };
  Shift best;
  for (const auto& [key, votes] : cells) {
    // Every vote is tried as a centre; cells with few votes cannot win.
    if (static_cast<int>(votes.size()) * 9 < best.votes) continue;
    for (const Vote& v : votes) {
      const Shift here = gather(v, tolerance_px);
      const bool better = here.votes > best.votes ||
                          (here.votes == best.votes &&
                           (here.shift.dx < best.shift.dx ||
                            (here.shift.dx == best.shift.dx && here.shift.dy < best.shift.dy)));
      if (better) best = here;  // ties by place: the hash's order must not matter
    }
  }
  return best;
}

// Least squares of the linear map over pairs, by OpenCV's solver; the shift alone for few pairs.
PlaceMap refined(std::span<const StarPlace> places, std::span<const StarPlace> reference,
                 const std::vector<std::optional<std::size_t>>& pairs, const PlaceMap& start) {
  std::vector<std::size_t> paired;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    if (pairs[i]) paired.push_back(i);
  }
  constexpr std::size_t kFewestForMap = 8;
  if (paired.size() < kFewestForMap) {
    PlaceMap map = start;
    double dx = 0;
    double dy = 0;
    for (const std::size_t i : paired) {
      const StarPlace p = start(places[i]);
      dx += reference[*pairs[i]].x_px - p.x_px;
      dy += reference[*pairs[i]].y_px - p.y_px;
    }
    if (!paired.empty()) {
      map.ax += dx / static_cast<double>(paired.size());
      map.ay += dy / static_cast<double>(paired.size());
    }
    return map;
  }
  const int n = static_cast<int>(paired.size());
  cv::Mat design(n, 3, CV_64F);
  cv::Mat target(n, 2, CV_64F);
  for (int k = 0; k < n; ++k) {
    const std::size_t i = paired[static_cast<std::size_t>(k)];
    design.at<double>(k, 0) = 1;
    design.at<double>(k, 1) = places[i].x_px;
    design.at<double>(k, 2) = places[i].y_px;
    target.at<double>(k, 0) = reference[*pairs[i]].x_px;
    target.at<double>(k, 1) = reference[*pairs[i]].y_px;
  }
  cv::Mat solution;
  if (!cv::solve(design, target, solution, cv::DECOMP_SVD)) return start;
  return {solution.at<double>(0, 0), solution.at<double>(1, 0), solution.at<double>(2, 0),
          solution.at<double>(0, 1), solution.at<double>(1, 1), solution.at<double>(2, 1)};
}

}  // namespace

std::vector<std::optional<std::size_t>> pair_places(std::span<const StarPlace> places,
                                                    std::span<const StarPlace> reference,
                                                    const PlaceMap& map, double tolerance_px) {
  std::unordered_map<std::int64_t, std::vector<std::size_t>> cells;
  const auto cell_of = [tolerance_px](double v) {
    return static_cast<std::int64_t>(std::floor(v / tolerance_px));
  };
  for (std::size_t j = 0; j < reference.size(); ++j) {
    cells[cell_key(cell_of(reference[j].x_px), cell_of(reference[j].y_px))].push_back(j);
  }
  std::vector<std::optional<std::size_t>> pairs(places.size());
  std::vector<double> distance(places.size(), 0.0);
  std::unordered_map<std::size_t, std::size_t> taken;  // reference -> place
  for (std::size_t i = 0; i < places.size(); ++i) {
    const StarPlace p = map(places[i]);
    std::optional<std::size_t> nearest;
    double best = tolerance_px;
    for (std::int64_t row = cell_of(p.y_px) - 1; row <= cell_of(p.y_px) + 1; ++row) {
      for (std::int64_t column = cell_of(p.x_px) - 1; column <= cell_of(p.x_px) + 1; ++column) {
        const auto cell = cells.find(cell_key(column, row));
        if (cell == cells.end()) continue;
        for (const std::size_t j : cell->second) {
          const double d = std::hypot(reference[j].x_px - p.x_px, reference[j].y_px - p.y_px);
          if (d >= best) continue;
          best = d;
          nearest = j;
        }
      }
    }
    if (!nearest) continue;
    const auto [holder, first] = taken.try_emplace(*nearest, i);
    if (!first) {
      if (distance[holder->second] <= best) continue;
      pairs[holder->second].reset();
      holder->second = i;
    }
    pairs[i] = nearest;
    distance[i] = best;
  }
  return pairs;
}

std::optional<PlaceMap> find_map(std::span<const StarPlace> places,
                                 std::span<const StarPlace> reference, double tolerance_px) {
  if (places.empty() || reference.empty()) return std::nullopt;
  const Shift upright = best_shift(places, reference, 1.0, tolerance_px);
  const Shift turned = best_shift(places, reference, -1.0, tolerance_px);
  // Turned frames must win clearly: on a sparse field a chance pair or two agree.
  const bool flip = turned.votes > upright.votes + 3;
  const Shift& best = flip ? turned : upright;
  const auto fewer = static_cast<double>(std::min({places.size(), reference.size(), kVoters}));
  // Two stars that agree may be chance; a quarter of the fewer ones is not.
  if (best.votes < 2 || best.votes < 0.25 * fewer) return std::nullopt;
  const double sign = flip ? -1.0 : 1.0;
  PlaceMap map{best.shift.dx, sign, 0, best.shift.dy, 0, sign};
  for (const double reach : {2 * tolerance_px, tolerance_px}) {
    map = refined(places, reference, pair_places(places, reference, map, reach), map);
  }
  return map;
}

}  // namespace starwaist::stars
