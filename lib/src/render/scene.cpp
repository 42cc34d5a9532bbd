#include "render/scene.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <utility>

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

double electrons_of_a_star(const RenderOptions& options, double share) {
  // Counts of 10^(0.3 m) are, in flux, N(> F) proportional to F^-0.75.
  constexpr double kSlope = 0.75;
  const double most = std::pow(options.faintest_electrons, -kSlope);
  const double fewest = std::pow(options.brightest_electrons, -kSlope);
  return std::pow(fewest + share * (most - fewest), -1 / kSlope);
}

std::vector<RenderedStar> field_of(const RenderOptions& options) {
  Random random = stream(options, Purpose::field);
  std::vector<RenderedStar> stars(static_cast<std::size_t>(options.star_count));
  for (RenderedStar& star : stars) {
    star.x_px = random.uniform() * options.width_px - 0.5;
    star.y_px = random.uniform() * options.height_px - 0.5;
    star.electrons = electrons_of_a_star(options, random.uniform());
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
  if (options.hot_neighbour_share > 0) {
    Random warm = stream(options, Purpose::warm_pixels);
    const std::vector<HotPixel> hot = pixels;
    constexpr std::pair<int, int> kNeighbours[] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
    for (const HotPixel& pixel : hot) {
      for (const auto& [dx, dy] : kNeighbours) {
        const double share = 2 * options.hot_neighbour_share * warm.uniform();
        pixels.push_back({pixel.x_px + dx, pixel.y_px + dy, share * pixel.electrons});
      }
    }
  }
  return pixels;
}

std::vector<LightPoint> extended_light_of(const RenderOptions& options) {
  constexpr double kPi = std::numbers::pi;
  constexpr double kBrighterThanStars = 2;
  std::vector<LightPoint> light;
  Random random = stream(options, Purpose::extended);
  const auto add = [&](double x_px, double y_px, double radius_px, double electrons, int kind) {
    const double axis_ratio = 0.3 + 0.7 * random.uniform();
    const double angle = kPi * random.uniform();
    // A knotted cloud: a handful of lumps, each a Gaussian.
    constexpr int kKnots = 5;
    std::array<std::pair<double, double>, kKnots> knots;
    for (auto& knot : knots) knot = {random.normal(), random.normal()};
    // So many points that none stands out: a hundred in a pixel's area.
    const int points = static_cast<int>(std::clamp(100 * radius_px * radius_px, 600.0, 4e4));
    for (int i = 0; i < points; ++i) {
      double u = 0;  // in half-light radii
      double v = 0;
      if (kind == 2) {
        const auto& knot = knots[static_cast<std::size_t>(i % kKnots)];
        u = 0.6 * knot.first + 0.3 * random.normal();
        v = 0.6 * knot.second + 0.3 * random.normal();
      } else {
        // Exponential disc: radius of two exponential times, half its light within 1.6783 of them.
        // De Vaucouleurs r^(1/4): 7.669 (r / half-light radius)^(1/4) follows a gamma law of order
        // 8. Both radii are the medians of those laws.
        double sum = 0;
        for (int k = 0; k < (kind == 0 ? 2 : 8); ++k) sum -= std::log(random.uniform());
        const double r = kind == 0 ? sum / 1.6783 : std::min(std::pow(sum / 7.669, 4), 8.0);
        const double turn = 2 * kPi * random.uniform();
        u = r * std::cos(turn);
        v = axis_ratio * r * std::sin(turn);
      }
      light.push_back({x_px + radius_px * (u * std::cos(angle) - v * std::sin(angle)),
                       y_px + radius_px * (u * std::sin(angle) + v * std::cos(angle)),
                       electrons / points});
    }
  };
  for (int i = 0; i < options.extended_objects; ++i) {
    const double x_px = random.uniform() * options.width_px - 0.5;
    const double y_px = random.uniform() * options.height_px - 0.5;
    const double radius_px = options.extended_radius_px * std::exp(0.3 * random.normal());
    add(x_px, y_px, radius_px, kBrighterThanStars * electrons_of_a_star(options, random.uniform()),
        static_cast<int>(3 * random.uniform()));
  }
  if (options.bright_core_electrons > 0) {
    add((0.35 + 0.3 * random.uniform()) * options.width_px,
        (0.35 + 0.3 * random.uniform()) * options.height_px, 4 * options.extended_radius_px,
        options.bright_core_electrons, 1);
  }
  return light;
}

double slack_offset_steps(const RenderOptions& options, int index) {
  if (!(options.slack_steps > 0)) return 0;
  const std::vector<double>& commanded = options.positions_steps;
  bool outward = true;
  for (std::size_t i = 1; i < commanded.size(); ++i) {
    if (commanded[i] == commanded[0]) continue;
    outward = commanded[i] > commanded[0];
    break;
  }
  // The focus lies between the commanded position (taken up outwards) and slack_steps beyond it
  // (taken up inwards), and moves only when pushed.
  double at = commanded[0] + (outward ? options.slack_steps : 0);
  for (std::size_t i = 1; i <= static_cast<std::size_t>(index); ++i) {
    at = std::clamp(at, commanded[i], commanded[i] + options.slack_steps);
  }
  const double taken_up =
      commanded[static_cast<std::size_t>(index)] + (outward ? 0 : options.slack_steps);
  return at - taken_up;
}

double focus_drift_um(const RenderOptions& options, int index) {
  const double warmer_c =
      listed(options.temperatures_c, index, options.temperature_c) - options.temperature_c;
  return listed(options.focus_drift_um, index, 0.0) + options.focus_um_per_c * warmer_c;
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
      listed(options.focus_offset_um, index, 0.0) +
      slack_offset_steps(options, index) * options.um_per_step - focus_drift_um(options, index);
  // Lognormal, so that it stays positive and its median is the seeing asked for.
  conditions.seeing_arcsec = options.seeing_arcsec *
                             std::exp(options.seeing_scatter * random.normal()) *
                             listed(options.seeing_factor, index, 1.0);
  conditions.shift_x_px = options.dither_px * random.normal();
  conditions.shift_y_px = options.dither_px * random.normal();
  conditions.transmission = listed(options.transmission, index, 1.0);
  conditions.sky_factor = listed(options.sky_factor, index, 1.0);
  conditions.sky_gradient = listed(options.sky_gradients, index, options.sky_gradient);
  conditions.trail_px = listed(options.trail_px, index, 0.0);
  conditions.trail_angle_deg = listed(options.trail_angles_deg, index, options.trail_angle_deg);
  conditions.shake_px = listed(options.shake_px, index, 0.0);
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
