// The true size of a recorded star, and the least scatter with which it can be measured.
#pragma once

#include <cmath>
#include <functional>

#include "star_truth/camera.h"
#include "star_truth/seeing.h"
#include "star_truth/star_profile.h"

namespace starwaist::bench::star_truth {

// Of a recorded star, whatever it is made from.
struct Known {
  double hfr_px = 0;                       // recorded: one pixel width in it, once
  double slope_per_px = 0;                 // of the recorded growth curve there
  double noise_area_px2 = 0;               // 1 / sum of squares over the pixels
  double body_px = 0;                      // what is listed within is the star or a piece of it
  std::function<double(double)> enclosed;  // light inside a radius

  [[nodiscard]] double flux_of_snr(double snr) const {
    // CCD equation with the noise-equivalent area: snr^2 (F + A sigma^2) = F^2.
    const double sky = noise_area_px2 * sky_sigma_e() * sky_sigma_e();
    return 0.5 * (snr * snr + std::sqrt(std::pow(snr, 4) + 4 * snr * snr * sky));
  }
  [[nodiscard]] double flux_of_matched_snr(double snr) const {
    return snr * sky_sigma_e() * std::sqrt(noise_area_px2);
  }
};

struct Truth : Known {
  StarProfile profile;
};

// What a star is made from.
struct StarKind {
  double size_px = 0;  // recorded half-flux radius, nearly
  Seeing seeing = Seeing::moffat_25;
  double in_focus_px = 0;  // half-flux radius of the seeing behind the rings; 0: in focus
  double hole = 0;         // obstruction
};

// Of the seeing behind the rings.
constexpr double kInFocusHfrPx = 2.0;

// The truth is what the size came to.
Truth star_of_kind(const StarKind& kind);

// Flux in the pixel whose centre lies so far from that of the star.
double pixel_flux(const StarProfile& profile, double dx_px, double dy_px);

// A growth curve around a star of a known flux.
struct Growth {
  double flux_e = 0;
  double sky_sigma = 0;
  double half_px = 0;
  double slope_per_px = 0;
  double aperture_px = 0;
  double share_inside_h = 0.5;
  double share_inside_aperture = 1;
};

// Standard error of the half-flux radius from a growth curve summed to the aperture, centre, sky
// and the share w of the flux inside the aperture known: h solves F(<h) = q F(<R), q = 1 / 2w, so
// dh = ((q - 1) dF(<h) + q dF(h..R)) / F'(h), the two parts independent, each with its photons and
// its sky (physics: binomial and background-limited size errors; own derivation).
double growth_limit_px(const Growth& growth);

double growth_limit_px(const Known& star, double flux_e, double aperture_px);

}  // namespace starwaist::bench::star_truth
