// The telescope, camera and focuser, as far as they are known, and the optics formulas that follow.
//
// Module: optics.
//
// Symbols: N f-ratio, p pixel (um), lambda wavelength (um), e linear obstruction (diameter
// fraction), dz defocus at the sensor (um), c(e) = sqrt((1 + e^2) / 2).
#pragma once

#include <optional>

#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/limits.h"

namespace starwaist {

// Everything optional is absent where nobody said it.
struct Rig {
  std::optional<double> focal_length_mm;
  std::optional<double> aperture_mm;
  std::optional<double> f_number;       // wins over focal_length_mm / aperture_mm
  std::optional<double> obstruction;    // diameter fraction, 0 <= e < 1
  std::optional<double> pixel_um;       // of the frame as stored, after binning
  std::optional<double> um_per_step;    // travel of the image plane for one focuser step
  double wavelength_um = 0.55;          // green light, where the eye and most filters peak
  std::optional<double> seeing_arcsec;  // full width at half maximum
  std::optional<double> focus_um_per_c;
  std::optional<double> gain_e_per_adu;
  std::optional<double> read_noise_e;
  std::optional<double> saturation_adu;
  std::optional<double> min_position_steps;
  std::optional<double> max_position_steps;
  std::optional<double> takeup_steps;  // how far past a target to go, so that slack is taken up

  // f_number, or focal length over aperture; absent where neither is known.
  [[nodiscard]] std::optional<double> focal_ratio() const;
  // True when f-ratio, pixel and um per step are known.
  [[nodiscard]] bool known() const;
};

// The rig's one description. Command-line options, the file of options, JSON, checked() and
// completed() follow from it.
template <>
struct Fields<Rig> {
  static constexpr NumberLimits kFraction{0, 1, false, true};
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Rig, focal_length_mm, "mm", "focal length", kPositive),
      STARWAIST_FIELD(Rig, aperture_mm, "mm", "free diameter", kPositive),
      STARWAIST_FIELD(Rig, f_number, "", "focal length over aperture", kPositive),
      STARWAIST_FIELD(Rig, obstruction, "",
                      "diameter of the central obstruction over the aperture's", kFraction),
      STARWAIST_FIELD(Rig, pixel_um, "um", "pixel of the frame as stored, binned", kPositive),
      STARWAIST_FIELD(Rig, um_per_step, "um", "travel of the focus for one focuser step",
                      kPositive),
      STARWAIST_FIELD(Rig, wavelength_um, "um", "wavelength", kPositive),
      STARWAIST_FIELD(Rig, seeing_arcsec, "arcsec", "seeing, full width at half maximum",
                      kPositive),
      STARWAIST_FIELD(Rig, focus_um_per_c, "um/c", "movement of the focus by temperature"),
      STARWAIST_FIELD(Rig, gain_e_per_adu, "e/adu", "electrons for one ADU", kPositive),
      STARWAIST_FIELD(Rig, read_noise_e, "e", "read noise in electrons", kNotNegative),
      STARWAIST_FIELD(Rig, saturation_adu, "adu", "level of a full pixel", kPositive),
      STARWAIST_FIELD(Rig, min_position_steps, "steps", "focuser's lower limit"),
      STARWAIST_FIELD(Rig, max_position_steps, "steps", "focuser's upper limit"),
      STARWAIST_FIELD(Rig, takeup_steps, "steps",
                      "how far to go past a target before the last move, for the slack",
                      kNotNegative));
};
static_assert(describes_every_field<Rig>());

// Checks the limits of each field, and that the focuser's are in order. The error's message names
// the field.
Result<Rig> checked(Rig rig);

// `given` completed from `fallback` (say, a frame's header) field by field. Where the f-ratio
// follows from what is given, the fallback's f-number is left aside.
Rig completed(const Rig& given, const Rig& fallback);

// Full width of the quarter-wave critical focus zone at the sensor: 4 lambda N^2 (um). Rayleigh's
// quarter wave, Conrady 1957 p. 136 (from memory): defocus of +-2 lambda N^2 leaves W020 =
// lambda/4.
double critical_focus_zone_um(double focal_ratio, double wavelength_um);

// The same in focuser steps; absent where the rig lacks the f-ratio or um per step.
std::optional<double> critical_focus_zone_steps(const Rig& rig);

// Diameter of the geometric blur (um): |dz| / N.
double blur_diameter_um(double defocus_um, double focal_ratio);

// Half-flux radius of a uniform annulus over its outer radius: sqrt((1 + e^2) / 2).
double annulus_half_flux_fraction(double obstruction);

// Slope of the arms of the focus curve far from focus, in px of half-flux radius per um of defocus:
// c(e) / (2 N p).
double arm_slope_px_per_um(double focal_ratio, double obstruction, double pixel_um);

// The same per focuser step; absent where the rig lacks f-ratio, pixel or um per step. An unknown
// obstruction counts as 0 (slope differs by at most 12 % up to e = 0.5).
std::optional<double> arm_slope_px_per_step(const Rig& rig);

// Seeing disc's half-flux radius on the sensor (px), for a Gaussian: f * s / (2 * 206265 * p).
// Absent where focal length, pixel or seeing is unknown.
std::optional<double> seeing_half_flux_radius_px(const Rig& rig);

// Peak-to-valley wavefront error of a defocus, in waves: dz / (8 N^2 lambda). Mahajan, Optical
// Imaging and Aberrations (from memory).
double defocus_waves(double defocus_um, double focal_ratio, double wavelength_um);

// Light that diffraction throws far out, whatever the seeing and the focus: beyond r >> lambda N
// from the centre lies a fraction halo_um / r of it, halo_um = 2 lambda N / (pi^2 (1 - e)). Airy's
// encircled light leaves 2 / (pi v), v = pi r / (lambda N) (Born & Wolf 8.5, from memory); what is
// left goes with the pupil's edge over its area, 1 / (1 - e) for an annulus (own derivation).
double diffraction_halo_um(double focal_ratio, double obstruction, double wavelength_um);

// The same in pixels; absent where the rig lacks f-ratio or pixel. An unknown obstruction counts as
// 0, which leaves light out rather than making it up.
std::optional<double> diffraction_halo_px(const Rig& rig);

}  // namespace starwaist
