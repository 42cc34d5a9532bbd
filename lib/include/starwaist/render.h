// Synthetic frames and runs with known truth, by wave optics.
//
// Module: render. May include: core, optics, frame.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <tuple>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/rig.h"

namespace starwaist {

enum class SeeingProfile { moffat, kolmogorov, gaussian };

// Low-order aberrations in waves at the reference wavelength, Seidel peak values over the full
// pupil radius: W040 rho^4, W131 rho^3 cos, W222 rho^2 cos^2. Balanced by the caller where wanted.
struct Aberrations {
  double spherical_w040_waves = 0;
  double coma_w131_waves = 0;
  double coma_angle_deg = 0;
  double astigmatism_w222_waves = 0;
  double astigmatism_angle_deg = 0;
};

// Everything that a synthetic run is made of. Defaults make a healthy run.
struct RenderOptions {
  double focal_length_mm = 480;
  double f_number = 5;
  double obstruction = 0.3;
  double pixel_um = 3.76;
  double um_per_step = 2.0;
  std::vector<double> wavelengths_um = {0.50, 0.55, 0.60};
  Aberrations aberrations;
  SeeingProfile seeing_profile = SeeingProfile::moffat;
  double moffat_beta = 3.5;
  double seeing_arcsec = 2.5;    // full width at half maximum
  double seeing_scatter = 0.02;  // relative, from frame to frame
  int width_px = 800;
  int height_px = 600;
  int star_count = 120;
  double faintest_electrons = 3e3;   // of a star, per frame
  double brightest_electrons = 4e5;  // numbers rise 10^(0.3 m) towards the faint end
  double sky_electrons = 300;        // per pixel
  double sky_gradient = 0.1;         // relative change from corner to corner
  double read_noise_e = 3;
  double gain_e_per_adu = 1.0;
  double bias_adu = 500;
  double saturation_adu = 65535;
  int hot_pixels = 40;
  double dither_px = 3;                 // rms shift of the frame between exposures
  std::vector<double> positions_steps;  // commanded, in the order taken
  double best_focus_steps = 5000;
  double temperature_c = 8;
  std::string filter = "L";
  double exposure_s = 3;
  std::string start_utc = "2027-02-03T20:11:05";
  std::uint64_t seed = 1;
  bool tile_compressed = false;  // RICE, file names end in .fits.fz
};

}  // namespace starwaist
