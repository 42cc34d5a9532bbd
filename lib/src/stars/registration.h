// Which star of one frame is which star of another.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "starwaist/stars.h"

namespace starwaist::stars {

// The map from `places` to `reference` (both brightest first), or nothing where no shift has
// clearly more pairs than chance. `tolerance_px`: how well places agree under a pure shift
// (centroid errors, and the change of scale with focus).
std::optional<PlaceMap> find_map(std::span<const StarPlace> places,
                                 std::span<const StarPlace> reference, double tolerance_px);

// For each place the index of the nearest reference place under the map within `tolerance_px`, each
// reference place given to the nearest only; absent where there is none.
std::vector<std::optional<std::size_t>> pair_places(std::span<const StarPlace> places,
                                                    std::span<const StarPlace> reference,
                                                    const PlaceMap& map, double tolerance_px);

}  // namespace starwaist::stars
