// The growth profile of a frame from its bright, lonely stars.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "stars/growth_profile.h"
#include "stars/one_star.h"
#include "stars/pedestal.h"

namespace starwaist::stars {

// Bright, whole, clean stars, brightest first; `lonely` (one entry a star: no notable neighbour
// within kLonelyReach half-flux radii) ones alone where there are enough.
std::vector<std::size_t> stack_members(const std::vector<MeasuredStar>& stars,
                                       const std::vector<bool>& lonely);

inline constexpr double kLonelyReach = 4.8;

// Absent where the members do not serve.
std::optional<GrowthProfile> stack(const FrameContext& context,
                                   const std::vector<MeasuredStar>& stars,
                                   const std::vector<std::size_t>& members,
                                   const Pedestal& pedestal, int threads);

// The Moffat exponent that the members share; 3.5 where none can be fitted.
double wing_exponent(const FrameContext& context, const std::vector<MeasuredStar>& stars,
                     const std::vector<std::size_t>& members);

}  // namespace starwaist::stars
