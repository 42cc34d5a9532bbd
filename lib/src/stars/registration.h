// Which star of one frame is which star of another.
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace starwaist::stars {

struct Place {
  double x_px = 0;
  double y_px = 0;
};

// Linear map of a frame's places onto the reference's: X = ax + bx x + cx y, Y likewise.
struct PlaceMap {
  double ax = 0;
  double bx = 1;
  double cx = 0;
  double ay = 0;
  double by = 0;
  double cy = 1;

  [[nodiscard]] Place operator()(Place p) const {
    return {ax + bx * p.x_px + cx * p.y_px, ay + by * p.x_px + cy * p.y_px};
  }
  // The place that the map takes to p. Precondition: the map is no projection.
  [[nodiscard]] Place inverse(Place p) const {
    const double determinant = bx * cy - cx * by;
    const double dx = p.x_px - ax;
    const double dy = p.y_px - ay;
    return {(cy * dx - cx * dy) / determinant, (bx * dy - by * dx) / determinant};
  }
};

// The map from `places` to `reference` (both brightest first), or nothing where no shift has
// clearly more pairs than chance. `tolerance_px`: how well places agree under a pure shift
// (centroid errors, and the change of scale with focus).
std::optional<PlaceMap> find_map(std::span<const Place> places, std::span<const Place> reference,
                                 double tolerance_px);

// For each place the index of the nearest reference place under the map within `tolerance_px`, each
// reference place given to the nearest only; absent where there is none.
std::vector<std::optional<std::size_t>> pair_places(std::span<const Place> places,
                                                    std::span<const Place> reference,
                                                    const PlaceMap& map, double tolerance_px);

}  // namespace starwaist::stars
