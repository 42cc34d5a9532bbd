// The growth curve that a frame's stars share, stacked from its bright ones: how much light lies
// beyond the aperture, and how steeply the light grows at the half-flux radius.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "stars/stamp.h"

namespace starwaist::stars {

// Fraction of a star's whole light inside x half-flux radii. Stars of one frame differ in size by
// field position, hardly in shape, so radii are counted in each star's own half-flux radius.
class GrowthProfile {
 public:
  // A Gaussian star: fraction 1 - 2^(-x^2). Serves until stars have been stacked.
  static GrowthProfile gaussian();
  // Knots at x = 0, step, 2 step ...; the light beyond the last knot falls as x^(2 - power).
  // Relative standard errors of the whole light: `whole_sigma` by noise, `halo_sigma` by what is
  // not known of diffraction, the same in all frames of a rig.
  GrowthProfile(double step, std::vector<double> fraction, double power, double whole_sigma,
                double halo_sigma = 0);

  [[nodiscard]] double fraction(double x) const;
  // Derivative of the fraction with respect to x.
  [[nodiscard]] double slope(double x) const;
  // Smallest x that holds the fraction.
  [[nodiscard]] double radius_of(double fraction) const;
  // Surface brightness near the centre over that at the half-flux radius: 2 for a Gaussian, below 1
  // for a ring with a dark centre.
  [[nodiscard]] double central_ratio() const;
  // Relative standard error that the profile's own error gives to all half-flux radii alike.
  [[nodiscard]] double common_size_sigma() const { return size_sigma_of(whole_sigma_); }
  // The same from what is not known of diffraction.
  [[nodiscard]] double halo_size_sigma() const { return size_sigma_of(halo_sigma_); }

 private:
  [[nodiscard]] double size_sigma_of(double whole_sigma) const;

  double step_;
  std::vector<double> fraction_;
  double power_;
  double whole_sigma_;
  double halo_sigma_;
};

// One star of the stack, its sky taken off, and a first half-flux radius.
struct ProfileStar {
  Stamp stamp;
  Centre centre;
  double reach_px = 0;  // as far as the stamp serves
  double hfr_px = 0;
  double sky_noise_adu = 0;  // of one pixel
  double sky_sigma_adu = 0;  // of the level that was taken off
};

// Median over the stars of the light in each annulus (a neighbour spoils only its own annuli and
// its own star), summed outward while it is known, then continued by the family of wings.h.
// Absent where no star serves. `halo_px`: of diffraction (MeasureOptions), 0 where it is not known.
std::optional<GrowthProfile> stacked_profile(std::span<const ProfileStar> stars, double halo_px,
                                             int threads);

}  // namespace starwaist::stars
