#include "render/scene.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "core/clock.h"
#include "render/random.h"

namespace starwaist::render {

namespace {

Random stream(const RenderOptions& options, Purpose purpose, int index = 0) {
  return {options.seed, static_cast<std::uint64_t>(purpose), static_cast<std::uint64_t>(index)};
}

// The list's value for this frame, or what an empty list stands for.
double listed(const std::vector<double>& values, int index, double otherwise) {
  return values.empty() ? otherwise : values[static_cast<std::size_t>(index)];
}

std::string file_name(const RenderOptions& options, int index) {
  const std::size_t digits =
      std::max<std::size_t>(2, std::to_string(options.positions_steps.size() - 1).size());
  std::string number = std::to_string(index);
  number.insert(0, digits - number.size(), '0');
  return "frame_" + number + (options.tile_compressed ? ".fits.fz" : ".fits");
}

}  // namespace

std::vector<RenderedStar> field_of(const RenderOptions& options) {
  Random random = stream(options, Purpose::field);
  // Counts of 10^(0.3 m) are, in flux, N(> F) proportional to F^-0.75.
  constexpr double kSlope = 0.75;
  const double most = std::pow(options.faintest_electrons, -kSlope);
  const double fewest = std::pow(options.brightest_electrons, -kSlope);
  std::vector<RenderedStar> stars(static_cast<std::size_t>(options.star_count));
  for (RenderedStar& star : stars) {
    star.x_px = random.uniform() * options.width_px - 0.5;
    star.y_px = random.uniform() * options.height_px - 0.5;
    star.electrons = std::pow(fewest + random.uniform() * (most - fewest), -1 / kSlope);
  }
  std::sort(stars.begin(), stars.end(),
            [](const RenderedStar& a, const RenderedStar& b) { return a.electrons > b.electrons; });
  return stars;
}

std::vector<HotPixel> hot_pixels_of(const RenderOptions& options) {
  Random random = stream(options, Purpose::hot_pixels);
  // Common practice, no source: from what a faint star's peak has to more than a pixel holds,
  // evenly in the logarithm.
  constexpr double kFaintest = 500;
  constexpr double kBrightest = 2e5;
  std::vector<HotPixel> pixels(static_cast<std::size_t>(options.hot_pixels));
  for (HotPixel& pixel : pixels) {
    pixel.x_px = static_cast<int>(random.uniform() * options.width_px);
    pixel.y_px = static_cast<int>(random.uniform() * options.height_px);
    pixel.electrons = kFaintest * std::pow(kBrightest / kFaintest, random.uniform());
  }
  return pixels;
}

Conditions conditions_of(const RenderOptions& options, int index) {
  constexpr double kBetweenExposures = 4;  // s: readout and the focuser's move
  Random random = stream(options, Purpose::conditions, index);
  Conditions conditions;
  conditions.file = file_name(options, index);
  conditions.time_utc = core::format_utc(*core::parse_utc(options.start_utc) +
                                         index * (options.exposure_s + kBetweenExposures));
  conditions.position_steps = options.positions_steps[static_cast<std::size_t>(index)];
  conditions.defocus_um =
      (conditions.position_steps - options.best_focus_steps) * options.um_per_step +
      listed(options.focus_offset_um, index, 0.0);
  // Lognormal, so that it stays positive and its median is the seeing asked for.
  conditions.seeing_arcsec =
      options.seeing_arcsec * std::exp(options.seeing_scatter * random.normal());
  conditions.shift_x_px = options.dither_px * random.normal();
  conditions.shift_y_px = options.dither_px * random.normal();
  conditions.transmission = listed(options.transmission, index, 1.0);
  conditions.sky_factor = listed(options.sky_factor, index, 1.0);
  conditions.trail_px = listed(options.trail_px, index, 0.0);
  conditions.temperature_c = listed(options.temperatures_c, index, options.temperature_c);
  return conditions;
}

double field_focus_steps(const RenderOptions& options, double x_px, double y_px) {
  const double half_width = 0.5 * (options.width_px - 1);
  const double half_height = 0.5 * (options.height_px - 1);
  const double x = x_px - half_width;
  const double y = y_px - half_height;
  return options.tilt_x_steps * x / (2 * half_width) +
         options.tilt_y_steps * y / (2 * half_height) +
         options.curvature_steps * (x * x + y * y) /
             (half_width * half_width + half_height * half_height);
}

}  // namespace starwaist::render
