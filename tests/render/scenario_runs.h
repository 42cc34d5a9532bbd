// What the tests of the scenarios share: a small rig, the run that a scenario makes of it, and what
// its truth and its pixels show.
#pragma once

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <numbers>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "render/scene.h"
#include "starwaist/render.h"
#include "starwaist/statistics.h"

namespace starwaist::scenario {

// Small and quick: one wavelength, few stars.
inline RenderOptions rig(double f_number) {
  RenderOptions o;
  o.f_number = f_number;
  o.focal_length_mm = 160 * f_number;
  o.pixel_um = f_number < 3 ? 3.76 : 5.4;
  o.um_per_step = 0.13 * f_number * f_number;
  o.seeing_arcsec = f_number < 3 ? 3 : 2;
  o.seeing_scatter = 0;
  o.seeing_profile = SeeingProfile::gaussian;  // the quickest: no far wings
  o.wavelengths_um = {0.55};
  o.width_px = 200;
  o.height_px = 160;
  o.star_count = 20;
  o.hot_pixels = 0;
  o.read_noise_e = 2;
  o.sky_electrons = 100;
  o.best_focus_steps = 5000.3;
  return o;
}

inline RenderOptions made_with(const RenderOptions& options,
                               const std::vector<Scenario>& scenarios) {
  auto made = apply_scenario(options, scenarios);
  EXPECT_TRUE(made.has_value()) << (made ? "" : made.error().text());
  return made ? *made : RenderOptions{};
}

inline RenderTruth truth_of(const RenderOptions& options) {
  auto truth = render_truth(options);
  EXPECT_TRUE(truth.has_value()) << (truth ? "" : truth.error().text());
  return truth ? *truth : RenderTruth{};
}

inline const std::vector<std::uint16_t>& pixels_of(const Frame& frame) {
  return std::get<std::vector<std::uint16_t>>(frame.pixels.storage());
}

inline Frame frame_of(const RenderOptions& options, std::size_t index) {
  auto frame = render_frame(options, static_cast<int>(index));
  EXPECT_TRUE(frame.has_value()) << (frame ? "" : frame.error().text());
  return frame ? std::move(*frame) : Frame{};
}

inline double sky_of(const Frame& frame) {
  std::vector<double> values(pixels_of(frame).begin(), pixels_of(frame).end());
  return median(values);
}

// Half-flux radius of the healthy star image (px).
inline double size_at(const RenderOptions& options, double defocus_um, double seeing_arcsec) {
  const auto spread = point_spread(options, defocus_um, seeing_arcsec);
  return spread ? half_flux_radius_px(*spread) : -1;
}

inline double half_zone_um(const RenderOptions& o) { return 2 * 0.55 * o.f_number * o.f_number; }

// Where the focus was, less what the commanded position and the truth's best focus say (um).
inline std::vector<double> strays_um(const RenderOptions& options, const RenderTruth& truth) {
  std::vector<double> strays;
  for (const RenderedFrame& frame : truth.frames) {
    strays.push_back(frame.defocus_um -
                     (frame.position_steps - truth.best_focus_steps) * options.um_per_step);
  }
  return strays;
}

// A star alone in the frame's middle: second moments of its light above the sky inside 9 px.
struct Shape {
  double flux = 0;
  double along_x = 0;
  double along_y = 0;
  double across = 0;
  [[nodiscard]] double angle_deg() const {
    return 0.5 * std::atan2(2 * across, along_x - along_y) * 180 / std::numbers::pi;
  }
};

inline Shape shape_of(const Frame& frame, double x_px, double y_px) {
  const double sky = sky_of(frame);
  constexpr double kRadius = 9;
  const auto sum_of = [&](auto&& term) {
    double sum = 0;
    for (int y = 0; y < frame.pixels.height_px(); ++y) {
      for (int x = 0; x < frame.pixels.width_px(); ++x) {
        if (std::hypot(x - x_px, y - y_px) > kRadius) continue;
        sum += (frame.pixels.at(x, y) - sky) * term(x - x_px, y - y_px);
      }
    }
    return sum;
  };
  Shape shape;
  shape.flux = sum_of([](double, double) { return 1.0; });
  shape.along_x = sum_of([](double dx, double) { return dx * dx; }) / shape.flux;
  shape.along_y = sum_of([](double, double dy) { return dy * dy; }) / shape.flux;
  shape.across = sum_of([](double dx, double dy) { return dx * dy; }) / shape.flux;
  return shape;
}

// One star that lies far from the edges, by looking through seeds.
inline RenderOptions one_star(RenderOptions o) {
  o.star_count = 1;
  o.faintest_electrons = 2e5;
  o.brightest_electrons = 2.1e5;
  o.dither_px = 0.5;
  o.sky_electrons = 50;
  o.sky_gradient = 0;
  o.positions_steps = {o.best_focus_steps};
  for (o.seed = 1; o.seed < 500; ++o.seed) {
    const RenderedStar star = render::field_of(o).front();
    if (std::abs(star.x_px - 100) < 55 && std::abs(star.y_px - 80) < 40) break;
  }
  o.positions_steps.clear();
  return o;
}

inline Shape shape_in(const RenderOptions& options, const RenderTruth& truth, std::size_t index) {
  const RenderedStar& star = truth.stars.front();
  const RenderedFrame& frame = truth.frames[index];
  return shape_of(frame_of(options, index), star.x_px + frame.shift_x_px,
                  star.y_px + frame.shift_y_px);
}

}  // namespace starwaist::scenario
