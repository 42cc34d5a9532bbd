// How the light in a star's aperture makes its half-flux radius.
#pragma once

#include <algorithm>

#include "stars/growth_profile.h"

namespace starwaist::stars {

// Share of a star's light inside an aperture; no less than three tenths, where nothing is measured.
inline double share_inside(const GrowthProfile& profile, double aperture_px, double size_px) {
  constexpr double kLeast = 0.3;
  return std::clamp(profile.fraction(aperture_px / size_px), kLeast, 1.0);
}

struct Leverage {
  double share = 0;  // of the star's light inside the aperture
  double q = 0;      // of the light inside the aperture that the target is
  // dF/dr at the half-flux radius, less what a larger star adds to its own target through the share
  // of its light inside the aperture.
  double slope = 0;

  Leverage(const GrowthProfile& profile, double aperture_px, double hfr_px, double flux_adu)
      : share(share_inside(profile, aperture_px, hfr_px)), q(0.5 / share) {
    const double reach = aperture_px / hfr_px;
    slope = flux_adu * (profile.slope(1.0) - 0.5 * profile.slope(reach) * reach / share) / hfr_px;
  }
  [[nodiscard]] double share_outside() const { return std::max(0.0, share - 0.5); }
  // Of the target from that of the light inside the half-flux radius and of the rest.
  [[nodiscard]] double target_variance(double inside, double outside) const {
    return (1 - q) * (1 - q) * inside + q * q * outside;
  }
};

}  // namespace starwaist::stars
