#include "starwaist/rig.h"

#include <cmath>
#include <numbers>
#include <string_view>

#include "starwaist/numbers.h"

namespace starwaist {
namespace {

constexpr double kArcsecPerRadian = 206264.80624709636;  // 180 * 3600 / pi

std::optional<Error> not_positive(std::string_view name, const std::optional<double>& value) {
  if (!value || (std::isfinite(*value) && *value > 0)) return std::nullopt;
  return Error{ErrorCode::invalid_argument,
               std::string(name) + " is " + format_fixed(*value, 4) + " and must be above 0",
               "Give " + std::string(name) + " as a positive number"};
}

std::optional<Error> not_finite(std::string_view name, const std::optional<double>& value) {
  if (!value || std::isfinite(*value)) return std::nullopt;
  return Error{ErrorCode::invalid_argument, std::string(name) + " is not a number",
               "Give " + std::string(name) + " as a finite number"};
}

std::optional<Error> out_of_range(const Rig& rig) {
  if (rig.obstruction && !(*rig.obstruction >= 0 && *rig.obstruction < 1)) {
    return Error{
        ErrorCode::invalid_argument,
        "obstruction is " + format_fixed(*rig.obstruction, 4) + " and must be in [0, 1)",
        "Give obstruction as a fraction of the aperture's diameter, for example 0.35 for 35 %"};
  }
  if (rig.read_noise_e && !(std::isfinite(*rig.read_noise_e) && *rig.read_noise_e >= 0)) {
    return Error{
        ErrorCode::invalid_argument,
        "read_noise_e is " + format_fixed(*rig.read_noise_e, 4) + " and must not be below 0",
        "Give read_noise_e in electrons, 0 or more"};
  }
  if (rig.min_position_steps && rig.max_position_steps &&
      *rig.min_position_steps >= *rig.max_position_steps) {
    return Error{ErrorCode::invalid_argument,
                 "min_position_steps " + format_fixed(*rig.min_position_steps, 1) +
                     " is not below max_position_steps " + format_fixed(*rig.max_position_steps, 1),
                 "Give the focuser's limits in rising order"};
  }
  return std::nullopt;
}

template <class T>
void complete(std::optional<T>& value, const std::optional<T>& fallback) {
  if (!value) value = fallback;
}

}  // namespace

std::optional<double> Rig::focal_ratio() const {
  if (f_number) return f_number;
  if (focal_length_mm && aperture_mm && *aperture_mm > 0) return *focal_length_mm / *aperture_mm;
  return std::nullopt;
}

bool Rig::known() const {
  return focal_ratio().has_value() && pixel_um.has_value() && um_per_step.has_value();
}

Result<Rig> checked(Rig rig) {
  for (const auto& problem :
       {not_positive("focal_length_mm", rig.focal_length_mm),
        not_positive("aperture_mm", rig.aperture_mm), not_positive("f_number", rig.f_number),
        not_positive("pixel_um", rig.pixel_um), not_positive("um_per_step", rig.um_per_step),
        not_positive("wavelength_um", rig.wavelength_um),
        not_positive("seeing_arcsec", rig.seeing_arcsec),
        not_finite("focus_um_per_c", rig.focus_um_per_c),
        not_positive("gain_e_per_adu", rig.gain_e_per_adu),
        not_positive("saturation_adu", rig.saturation_adu),
        not_finite("min_position_steps", rig.min_position_steps),
        not_finite("max_position_steps", rig.max_position_steps), out_of_range(rig)}) {
    if (problem) return tl::unexpected<Error>(*problem);
  }
  return rig;
}

Rig completed(const Rig& given, const Rig& fallback) {
  Rig rig = given;
  // A given focal length with a given aperture is a given f-ratio: a header's number must not win.
  if (!rig.focal_ratio()) complete(rig.f_number, fallback.f_number);
  complete(rig.focal_length_mm, fallback.focal_length_mm);
  complete(rig.aperture_mm, fallback.aperture_mm);
  complete(rig.obstruction, fallback.obstruction);
  complete(rig.pixel_um, fallback.pixel_um);
  complete(rig.um_per_step, fallback.um_per_step);
  // The wavelength always has a value; one that differs from the default was said by someone.
  if (rig.wavelength_um == Rig{}.wavelength_um) rig.wavelength_um = fallback.wavelength_um;
  complete(rig.seeing_arcsec, fallback.seeing_arcsec);
  complete(rig.focus_um_per_c, fallback.focus_um_per_c);
  complete(rig.gain_e_per_adu, fallback.gain_e_per_adu);
  complete(rig.read_noise_e, fallback.read_noise_e);
  complete(rig.saturation_adu, fallback.saturation_adu);
  complete(rig.min_position_steps, fallback.min_position_steps);
  complete(rig.max_position_steps, fallback.max_position_steps);
  return rig;
}

double critical_focus_zone_um(double focal_ratio, double wavelength_um) {
  return 4 * wavelength_um * focal_ratio * focal_ratio;
}

std::optional<double> critical_focus_zone_steps(const Rig& rig) {
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.um_per_step) return std::nullopt;
  return critical_focus_zone_um(*ratio, rig.wavelength_um) / *rig.um_per_step;
}

double blur_diameter_um(double defocus_um, double focal_ratio) {
  return std::abs(defocus_um) / focal_ratio;
}

double annulus_half_flux_fraction(double obstruction) {
  return std::sqrt((1 + obstruction * obstruction) / 2);
}

double arm_slope_px_per_um(double focal_ratio, double obstruction, double pixel_um) {
  return annulus_half_flux_fraction(obstruction) / (2 * focal_ratio * pixel_um);
}

std::optional<double> arm_slope_px_per_step(const Rig& rig) {
  if (!rig.known()) return std::nullopt;
  return arm_slope_px_per_um(*rig.focal_ratio(), rig.obstruction.value_or(0.0), *rig.pixel_um) *
         *rig.um_per_step;
}

std::optional<double> seeing_half_flux_radius_px(const Rig& rig) {
  if (!rig.focal_length_mm || !rig.pixel_um || !rig.seeing_arcsec) return std::nullopt;
  const double fwhm_um = *rig.focal_length_mm * 1000 * *rig.seeing_arcsec / kArcsecPerRadian;
  return fwhm_um / 2 / *rig.pixel_um;
}

double defocus_waves(double defocus_um, double focal_ratio, double wavelength_um) {
  return defocus_um / (8 * focal_ratio * focal_ratio * wavelength_um);
}

double diffraction_halo_um(double focal_ratio, double obstruction, double wavelength_um) {
  return 2 * wavelength_um * focal_ratio /
         (std::numbers::pi * std::numbers::pi * (1 - obstruction));
}

std::optional<double> diffraction_halo_px(const Rig& rig) {
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.pixel_um) return std::nullopt;
  return diffraction_halo_um(*ratio, rig.obstruction.value_or(0.0), rig.wavelength_um) /
         *rig.pixel_um;
}

}  // namespace starwaist
