#include <algorithm>
#include <cmath>
#include <cstddef>
#include <string>
#include <utility>

#include "core/clock.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"

namespace starwaist {

std::vector<double> evenly_spaced_positions(double centre_steps, double step_steps, int count) {
  std::vector<double> positions;
  positions.reserve(static_cast<std::size_t>(std::max(count, 0)));
  for (int i = 0; i < count; ++i) {
    positions.push_back(centre_steps + step_steps * (i - 0.5 * (count - 1)));
  }
  return positions;
}

namespace {

Result<void> check_numbers(const RenderOptions& options) {
  struct Range {
    const char* name;
    double value;
    double low;
    double high;
  };
  const Aberrations& a = options.aberrations;
  const Range ranges[] = {
      {"focal_length_mm", options.focal_length_mm, 1, 1e6},
      {"f_number", options.f_number, 0.8, 100},
      {"obstruction", options.obstruction, 0, 0.95},
      {"pixel_um", options.pixel_um, 0.1, 200},
      {"um_per_step", options.um_per_step, 1e-6, 1e4},
      {"spherical_w040_waves", a.spherical_w040_waves, -50, 50},
      {"coma_w131_waves", a.coma_w131_waves, -50, 50},
      {"coma_angle_deg", a.coma_angle_deg, -360, 360},
      {"astigmatism_w222_waves", a.astigmatism_w222_waves, -50, 50},
      {"astigmatism_angle_deg", a.astigmatism_angle_deg, -360, 360},
      {"moffat_beta", options.moffat_beta, 1.5, 100},
      {"seeing_arcsec", options.seeing_arcsec, 0, 60},
      {"seeing_scatter", options.seeing_scatter, 0, 0.5},
      {"width_px", static_cast<double>(options.width_px), 16, 20000},
      {"height_px", static_cast<double>(options.height_px), 16, 20000},
      {"star_count", static_cast<double>(options.star_count), 0, 1e5},
      {"faintest_electrons", options.faintest_electrons, 1, 1e12},
      {"brightest_electrons", options.brightest_electrons, options.faintest_electrons, 1e12},
      {"sky_electrons", options.sky_electrons, 0, 1e9},
      {"sky_gradient", options.sky_gradient, -2, 2},
      {"read_noise_e", options.read_noise_e, 0, 1e4},
      {"gain_e_per_adu", options.gain_e_per_adu, 1e-3, 1e3},
      {"bias_adu", options.bias_adu, 0, 65535},
      {"saturation_adu", options.saturation_adu, options.bias_adu, 65535},
      {"hot_pixels", static_cast<double>(options.hot_pixels), 0, 1e6},
      {"dither_px", options.dither_px, 0, 1e4},
      {"best_focus_steps", options.best_focus_steps, -1e9, 1e9},
      {"temperature_c", options.temperature_c, -100, 100},
      {"exposure_s", options.exposure_s, 1e-6, 1e5},
      {"tilt_x_steps", options.tilt_x_steps, -1e6, 1e6},
      {"tilt_y_steps", options.tilt_y_steps, -1e6, 1e6},
      {"curvature_steps", options.curvature_steps, -1e6, 1e6},
      {"trail_angle_deg", options.trail_angle_deg, -360, 360},
      {"slack_steps", options.slack_steps, 0, 1e9},
      {"focus_um_per_c", options.focus_um_per_c, -1e5, 1e5},
      {"hot_neighbour_share", options.hot_neighbour_share, 0, 1},
      {"extended_objects", static_cast<double>(options.extended_objects), 0, 1e5},
      {"extended_radius_px", options.extended_radius_px, 0.1, 1e4},
      {"bright_core_electrons", options.bright_core_electrons, 0, 1e12},
  };
  for (const Range& range : ranges) {
    if (!(range.value >= range.low && range.value <= range.high)) {
      return fail(ErrorCode::invalid_argument,
                  std::string(range.name) + " is " + format_like_sigma(range.value, std::nullopt),
                  "Give a value from " + format_like_sigma(range.low, std::nullopt) + " to " +
                      format_like_sigma(range.high, std::nullopt));
    }
  }
  return {};
}

Result<void> check_lists(const RenderOptions& options) {
  struct List {
    const char* name;
    const std::vector<double>* values;
    double low;
    double high;
    bool per_frame;
  };
  const List lists[] = {
      {"positions_steps", &options.positions_steps, -1e9, 1e9, false},
      {"transmission", &options.transmission, 0, 100, true},
      {"sky_factor", &options.sky_factor, 0, 1000, true},
      {"trail_px", &options.trail_px, 0, 200, true},
      {"focus_offset_um", &options.focus_offset_um, -1e6, 1e6, true},
      {"temperatures_c", &options.temperatures_c, -100, 100, true},
      {"focus_drift_um", &options.focus_drift_um, -1e6, 1e6, true},
      {"seeing_factor", &options.seeing_factor, 0, 50, true},
      {"sky_gradients", &options.sky_gradients, -2, 2, true},
      {"trail_angles_deg", &options.trail_angles_deg, -360, 360, true},
      {"shake_px", &options.shake_px, 0, 100, true},
  };
  for (const List& list : lists) {
    if (list.per_frame && !list.values->empty() &&
        list.values->size() != options.positions_steps.size()) {
      return fail(ErrorCode::invalid_argument,
                  std::string(list.name) + " has " + std::to_string(list.values->size()) +
                      " values for " + std::to_string(options.positions_steps.size()) +
                      " positions",
                  "Give one value a position, or none");
    }
    for (const double value : *list.values) {
      if (!(value >= list.low && value <= list.high)) {
        return fail(
            ErrorCode::invalid_argument,
            std::string(list.name) + " has the value " + format_like_sigma(value, std::nullopt),
            "Give values from " + format_like_sigma(list.low, std::nullopt) + " to " +
                format_like_sigma(list.high, std::nullopt));
      }
    }
  }
  return {};
}

}  // namespace

Result<RenderOptions> checked(RenderOptions options) {
  if (auto fine = check_numbers(options); !fine) return tl::unexpected(fine.error());
  if (options.wavelengths_um.empty() ||
      !std::all_of(options.wavelengths_um.begin(), options.wavelengths_um.end(),
                   [](double um) { return um >= 0.2 && um <= 20; })) {
    return fail(ErrorCode::invalid_argument, "wavelengths_um has a value that is no wavelength",
                "Give one or more values from 0.2 to 20 um");
  }
  if (auto fine = check_lists(options); !fine) return tl::unexpected(fine.error());
  if (!core::parse_utc(options.start_utc)) {
    return fail(ErrorCode::invalid_argument, "start_utc is '" + options.start_utc + "'",
                "Write it as 2027-02-03T20:11:05");
  }
  for (const char c : options.filter) {
    if (c < ' ' || c > '~') {
      return fail(ErrorCode::invalid_argument,
                  "filter has a character that a FITS header cannot hold",
                  "Use plain ASCII letters");
    }
  }
  return options;
}

}  // namespace starwaist
