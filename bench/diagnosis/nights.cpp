#include "diagnosis/nights.h"

#include <array>
#include <cmath>

#include "starwaist/rig.h"

namespace starwaist::bench::diagnosis {

RenderOptions random_night(Dice& dice, bool obstructed) {
  constexpr std::array<double, 5> kPixels = {2.4, 2.9, 3.76, 4.63, 5.4};
  RenderOptions o;
  double smallest_px = 0;
  do {
    o.f_number = dice.log_between(2, 8);
    o.focal_length_mm = o.f_number * dice.log_between(80, 250);
    o.pixel_um = dice.pick(kPixels);
    o.seeing_arcsec = dice.between(1.8, 3.2);
    smallest_px = 0.604 * o.seeing_arcsec / 206265 * o.focal_length_mm * 1000 / o.pixel_um + 0.15;
  } while (smallest_px < 0.8 || smallest_px > 4);
  o.obstruction = !obstructed && dice.chance(0.2) ? 0 : dice.between(0.2, 0.45);
  const double width_um = smallest_px / arm_slope_px_per_um(o.f_number, o.obstruction, o.pixel_um);
  o.um_per_step = width_um / dice.log_between(25, 150);
  o.wavelengths_um = {0.55};
  switch (static_cast<int>(dice.between(0, 3))) {
    case 0:
      o.seeing_profile = SeeingProfile::kolmogorov;
      break;
    case 1:
      o.moffat_beta = dice.between(2.5, 4.8);
      break;
    default:
      o.moffat_beta = 3.5;
  }
  o.seeing_scatter = dice.between(0.01, 0.04);
  o.width_px = 512;
  o.height_px = 384;
  o.star_count = static_cast<int>(dice.between(45, 120));
  o.sky_electrons = dice.log_between(60, 800);
  o.sky_gradient = dice.between(-0.2, 0.2);
  o.read_noise_e = dice.between(1.2, 6);
  o.gain_e_per_adu = dice.log_between(0.4, 2);
  o.faintest_electrons =
      60 * smallest_px * std::sqrt(o.sky_electrons + o.read_noise_e * o.read_noise_e);
  o.brightest_electrons = 150 * o.faintest_electrons;
  o.hot_pixels = static_cast<int>(dice.between(0, 25));
  o.hot_neighbour_share = dice.chance(0.3) ? 0.05 : 0;
  o.dither_px = dice.between(0.5, 4);
  o.best_focus_steps = std::round(dice.between(2000, 20000)) + dice.between(0, 1);
  o.temperature_c = dice.between(-10, 25);
  o.focus_um_per_c = 23.6e-6 * o.focal_length_mm * 1000;  // an aluminium tube
  o.exposure_s = dice.between(1, 6);
  return o;
}

}  // namespace starwaist::bench::diagnosis
