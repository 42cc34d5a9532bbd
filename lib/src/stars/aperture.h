// Light inside circles: the growth curve of one star.
//
// A frame's pixels are samples of the recorded profile. To sum them as even squares that a circle
// cuts would add the pixel a second time and err by some per cent with the star's place in its
// pixel. Here a sample counts with the weight w(d; r) of a circle of radius r at distance d from
// its sample, the circle's rim smoothed by a kernel that passes spatial frequencies up to the
// sampling limit of half a cycle a pixel and stops those beyond: then the sum over the samples is
// the integral of the profile itself (the sampling theorem; Bracewell 1978, from memory). Of a
// frame that was filled in from the green of a mosaic only the green sites count, each for two:
// filling in widens a star. Their kernel stops earlier, and what lies beyond the coarser grid's
// limit moves the sum with the star's place among the sites (green_sites.h).
#pragma once

#include <vector>

#include "stars/stamp.h"

namespace starwaist::stars {

// How far beyond its rim a circle's weights reach; beyond, they are below 1e-4.
inline constexpr double kRimReachPx = 4.75;

// Weight at distance d (px) of the sample in the circle of radius r (px). Straight from its
// definition, for tests; the growth curve uses a table.
double circle_weight(double distance_px, double radius_px);

// Flux inside radius r round a centre, for any r up to `limit_px`.
class GrowthCurve {
 public:
  // The stamp should reach kRimReachPx beyond the limit. The centre is in frame coordinates. Pixels
  // without a value count as the mean of those at their distance.
  GrowthCurve(const Stamp& stamp, Centre centre, double limit_px);

  // Flux inside r. 0 <= r <= limit_px.
  [[nodiscard]] double flux(double r_px) const;
  // Radius at which flux(r) first reaches `target` (> 0); the limit where it never does.
  [[nodiscard]] double radius_of(double target) const;
  // Sum of r * f over sum of f inside r: the flux-weighted mean radius. 0 where the flux is not
  // positive.
  [[nodiscard]] double mean_radius(double r_px) const;
  [[nodiscard]] double limit_px() const { return limit_px_; }

 private:
  double limit_px_;
  std::vector<double> knots_;  // flux at radii a quarter of a pixel apart, three beyond the limit
};

}  // namespace starwaist::stars
