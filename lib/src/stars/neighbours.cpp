#include "stars/neighbours.h"

#include <numbers>

namespace starwaist::stars {

void drop_repeats(double size_px, std::vector<MeasuredStar>& stars) {
  const double reach = 0.5 + 0.1 * size_px;
  const auto place = [&](std::size_t i) { return Centre{stars[i].star.x_px, stars[i].star.y_px}; };
  for_each_neighbour(stars.size(), place, reach, [&](std::size_t i, std::size_t j, double) {
    if (i < j && stars[i].measured) stars[j].measured = false;
  });
}

void mark_blends(const GrowthProfile& profile, std::vector<MeasuredStar>& stars) {
  constexpr double kBlendFraction = 0.02;  // foreign light: 1.4 % in the size
  double widest = 0;
  for (MeasuredStar& m : stars) {
    m.star.blended = false;
    widest = std::max(widest, m.star.aperture_px);
  }
  const auto place = [&](std::size_t i) { return Centre{stars[i].star.x_px, stars[i].star.y_px}; };
  for_each_neighbour(
      stars.size(), place, 3 * widest, [&](std::size_t i, std::size_t j, double distance) {
        MeasuredStar& here = stars[i];
        const MeasuredStar& other = stars[j];
        if (!here.measured || !other.measured || here.defect || other.defect) return;
        const double aperture = here.star.aperture_px;
        // The neighbour's light inside the aperture: all of it when its centre is inside, else what
        // lies beyond the gap, in the aperture's share of the circle.
        double share = 1.0;
        if (distance > aperture) {
          share = (1 - profile.fraction((distance - aperture) / std::max(other.size_px, 0.3))) *
                  std::min(0.5, aperture / (std::numbers::pi * distance) * 1.5);
        }
        if (share * other.star.flux_adu > kBlendFraction * here.star.flux_adu) {
          here.star.blended = true;
        }
      });
}

}  // namespace starwaist::stars
