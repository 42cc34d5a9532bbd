#include "starwaist/rig.h"

#include <cmath>
#include <numbers>
#include <string>

#include "starwaist/limits.h"
#include "starwaist/numbers.h"

namespace starwaist {
namespace {

constexpr double kArcsecPerRadian = 206264.80624709636;  // 180 * 3600 / pi

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
  std::optional<Error> problem;
  for_each_field(rig, [&problem](const auto& f, const std::optional<double>& value) {
    if (problem || !value || f.limits.contains(*value)) return;
    const std::string name(f.name);
    problem =
        Error{ErrorCode::invalid_argument,
              name + " is " + format_fixed(*value, 4) + " and must be " + limits_words(f.limits),
              "Correct " + name + " (" + std::string(f.meaning) + ")"};
  });
  if (!problem && rig.min_position_steps && rig.max_position_steps &&
      *rig.min_position_steps >= *rig.max_position_steps) {
    problem =
        Error{ErrorCode::invalid_argument,
              "min_position_steps " + format_fixed(*rig.min_position_steps, 1) +
                  " is not below max_position_steps " + format_fixed(*rig.max_position_steps, 1),
              "Give --min-position-steps and --max-position-steps in rising order"};
  }
  if (problem) return tl::unexpected<Error>(*problem);
  return rig;
}

Rig completed(const Rig& given, const Rig& fallback) {
  Rig rig = given;
  const auto complete = [&fallback](const auto& f, auto& value) {
    // The wavelength always has a value; one that differs from the default was said by someone.
    if (value == Rig{}.*(f.member)) value = fallback.*(f.member);
  };
  for_each_field(rig, complete);
  // A given focal length with a given aperture is a given f-ratio: a header's number must not win.
  if (given.focal_ratio()) rig.f_number = given.f_number;
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
