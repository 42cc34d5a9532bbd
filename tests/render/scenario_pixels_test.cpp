// Scenarios that change the picture: light, sky, stars, defects, motion and seeing, judged from
// star images at the same defocus and from the rendered pixels, not from the options that they set.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <set>
#include <string>
#include <vector>

#include "render/scenario_runs.h"
#include "starwaist/render.h"

namespace starwaist {
namespace {

using scenario::frame_of;
using scenario::made_with;
using scenario::one_star;
using scenario::pixels_of;
using scenario::rig;
using scenario::Shape;
using scenario::shape_in;
using scenario::size_at;
using scenario::sky_of;
using scenario::truth_of;

TEST(Scenario, ACloudTakesLightAndBrightensTheSky) {
  RenderOptions options = one_star(rig(2));
  options.positions_steps = evenly_spaced_positions(5000, 6, 7);
  const RenderOptions made = made_with(options, {{"passing_cloud", 2}});
  const RenderTruth truth = truth_of(made);
  std::vector<double> light;
  std::vector<double> sky;
  for (std::size_t i = 0; i < truth.frames.size(); ++i) {
    light.push_back(shape_in(made, truth, i).flux);
    sky.push_back(sky_of(frame_of(made, i)) - made.bias_adu);
    EXPECT_NEAR(light.back() / 2.05e5 / truth.frames[i].transmission, 0.97, 0.06) << i;
  }
  const auto darkest =
      static_cast<std::size_t>(std::min_element(light.begin(), light.end()) - light.begin());
  // 0.8 mag; the apertures lose alike.
  EXPECT_NEAR(light[darkest] / *std::max_element(light.begin(), light.end()), 0.479, 0.02);
  EXPECT_NEAR(sky[darkest] / *std::min_element(sky.begin(), sky.end()), 1.4, 0.05);
}

TEST(Scenario, FogDimsAndWidensSteadily) {
  RenderOptions options = one_star(rig(2));
  options.positions_steps = std::vector<double>(5, options.best_focus_steps);
  const RenderOptions made = made_with(options, {{"fogging", 2}});
  const RenderTruth truth = truth_of(made);
  double last_light = 1e9;
  double last_size = 0;
  for (std::size_t i = 0; i < 5; ++i) {
    const Shape shape = shape_in(made, truth, i);
    EXPECT_LT(shape.flux, last_light);
    EXPECT_GT(truth.frames[i].hfr_px, last_size);
    last_light = shape.flux;
    last_size = truth.frames[i].hfr_px;
  }
  EXPECT_NEAR(truth.frames[4].seeing_arcsec / truth.frames[0].seeing_arcsec, 1.5, 1e-9);
  EXPECT_NEAR(truth.frames[4].transmission, std::pow(10, -0.4), 1e-9);
}

TEST(Scenario, FewStarsAreFewOrFaint) {
  RenderOptions options = rig(2);
  std::set<bool> kinds;
  for (options.seed = 1; options.seed < 9; ++options.seed) {
    const RenderOptions made = made_with(options, {{"few_stars", 1}});
    const auto spread = point_spread(made, 0, made.seeing_arcsec);
    ASSERT_TRUE(spread.has_value());
    // Signal-to-noise of the best weights: sqrt(sum of (flux p)^2 / (sky + read^2 + flux p)).
    double sum = 0;
    const double flux = made.brightest_electrons;
    for (int y = 0; y < spread->size; y += spread->samples_per_px) {
      for (int x = 0; x < spread->size; x += spread->samples_per_px) {
        const double light = flux * spread->values[static_cast<std::size_t>(y * spread->size + x)];
        sum += light * light /
               (made.sky_electrons + made.read_noise_e * made.read_noise_e + std::max(light, 0.0));
      }
    }
    const bool few = made.star_count < options.star_count;
    kinds.insert(few);
    // King's area is that of a Gaussian; a Moffat's is some 20 % off.
    EXPECT_NEAR(std::sqrt(sum), few ? 30 : 12, few ? 6 : 2.4);
    EXPECT_EQ(made.star_count, few ? 4 : options.star_count);
  }
  EXPECT_EQ(kinds.size(), 2U);
}

TEST(Scenario, SaturationClipsTheStarsThatCount) {
  RenderOptions options = rig(2);
  options.width_px = 400;
  options.height_px = 300;
  options.star_count = 40;
  options.positions_steps = {options.best_focus_steps, 5400, 5500};
  const RenderOptions made = made_with(options, {{"saturation", 1}});
  const RenderTruth truth = truth_of(made);
  const Frame frame = frame_of(made, 0);
  int clipped = 0;
  for (const RenderedStar& star : truth.stars) {
    bool full = false;
    for (int dy = -1; dy <= 1; ++dy) {
      for (int dx = -1; dx <= 1; ++dx) {
        const int x = static_cast<int>(std::lround(star.x_px + truth.frames[0].shift_x_px)) + dx;
        const int y = static_cast<int>(std::lround(star.y_px + truth.frames[0].shift_y_px)) + dy;
        if (x < 0 || y < 0 || x >= 400 || y >= 300) continue;
        full = full || frame.pixels.at(x, y) >= made.saturation_adu;
      }
    }
    clipped += full ? 1 : 0;
  }
  EXPECT_GE(clipped, 12);  // half of 40, less those whose peak falls between pixels
  EXPECT_LE(clipped, 30);
  EXPECT_NEAR(made.scenarios[0].amount, 0.5, 0.25);
}

TEST(Scenario, DefectsOutnumberTheStarsAndStay) {
  RenderOptions options = rig(2);
  options.star_count = 15;
  options.positions_steps = {5000, 5100, 5200};
  RenderOptions made = made_with(options, {{"defects_as_stars", 2}});
  made.star_count = 0;  // so that what is bright is a defect
  const auto bright = [&](std::size_t index, double least) {
    const Frame frame = frame_of(made, index);
    const double sky = sky_of(frame);
    std::set<std::size_t> found;
    for (std::size_t i = 0; i < pixels_of(frame).size(); ++i) {
      if (pixels_of(frame)[i] > sky + least) found.insert(i);
    }
    return found;
  };
  const auto first = bright(0, 300);
  const auto last = bright(2, 100);  // the noise is some 15
  for (const std::size_t i : first) EXPECT_EQ(last.count(i), 1U) << i;
  EXPECT_GE(first.size(), 40U);  // 45 pixels at least, some of them neighbours, with warm ones
  std::size_t with_neighbour = 0;
  for (const std::size_t i : first) with_neighbour += first.count(i + 1) + first.count(i + 200);
  EXPECT_GE(with_neighbour, 10U);
}

TEST(Scenario, MotionStretchesOrWidensTheStars) {
  RenderOptions options = one_star(rig(2));
  const std::uint64_t star_seed = options.seed;
  options.positions_steps = std::vector<double>(6, options.best_focus_steps);
  std::set<std::string> kinds;
  for (std::uint64_t k = 0; k < 40 && kinds.size() < 3; ++k) {
    options.seed = k;
    RenderOptions made = made_with(options, {{"image_motion", 2}});
    if (!kinds.insert(made.scenarios[0].meaning).second) continue;
    made.seed = star_seed;  // the star that lies well inside
    const RenderTruth truth = truth_of(made);
    const double still = size_at(options, 0, options.seeing_arcsec);
    int moved = 0;
    for (std::size_t i = 0; i < 6; ++i) {
      moved += truth.frames[i].hfr_px > 1.1 * still ? 1 : 0;
      if (made.trail_px.empty() || made.trail_px[i] == 0) continue;
      const Shape shape = shape_in(made, truth, i);
      const double off = std::remainder(shape.angle_deg() - made.trail_angles_deg[i], 180.0);
      EXPECT_NEAR(off, 0, 6) << i;
      // A trail of length L adds L^2 / 12 along itself and nothing across.
      const double sum = shape.along_x + shape.along_y;
      const double difference = std::hypot(shape.along_x - shape.along_y, 2 * shape.across);
      EXPECT_NEAR(difference, made.trail_px[i] * made.trail_px[i] / 12, 0.12 * sum);
    }
    EXPECT_EQ(moved, made.scenarios[0].meaning.find("all frames") != std::string::npos ? 6 : 2);
  }
  EXPECT_EQ(kinds.size(), 3U);
}

TEST(PointSpread, RoundMotionAddsItsVariance) {
  RenderOptions options = rig(2);
  options.seeing_profile = SeeingProfile::gaussian;
  options.obstruction = 0;
  // Well in focus and wide: nearly a Gaussian, whose half-flux radius is 1.17741 sigma and whose
  // variances add. Diffraction is no Gaussian: 2 %.
  const double still = size_at(options, 0, 6);
  const auto shaken = point_spread(options, 0, 6, 0, 3);
  ASSERT_TRUE(shaken.has_value());
  EXPECT_NEAR(half_flux_radius_px(*shaken), std::hypot(still, 1.17741 * 3),
              0.02 * half_flux_radius_px(*shaken));
  EXPECT_FALSE(point_spread(options, 0, 6, 0, -1).has_value());
}

TEST(Scenario, ExtendedObjectsAreWiderThanStars) {
  RenderOptions options = rig(2);
  options.star_count = 20;
  options.dither_px = 0;
  options.positions_steps = std::vector<double>(3, options.best_focus_steps);
  for (const std::uint64_t seed : {1, 2, 3}) {
    options.seed = seed;
    const RenderOptions made = made_with(options, {{"extended_objects", 1}});
    EXPECT_EQ(made.extended_objects, 12);
    RenderOptions one = made;
    one.star_count = 0;
    one.extended_objects = 0;
    one.bright_core_electrons = 1e6;
    const Frame with = frame_of(one, 0);
    one.bright_core_electrons = 0;
    const Frame without = frame_of(one, 0);
    double light = 0;
    double sum_x = 0;
    double sum_y = 0;
    std::vector<double> difference(pixels_of(with).size());
    for (std::size_t i = 0; i < difference.size(); ++i) {
      difference[i] = static_cast<double>(pixels_of(with)[i]) - pixels_of(without)[i];
      light += difference[i];
      sum_x += difference[i] * static_cast<double>(i % 200);
      sum_y += difference[i] * static_cast<double>(i / 200);
    }
    // A de Vaucouleurs profile reaches far: some light falls beside the frame.
    EXPECT_NEAR(light, 1e6, 0.2e6);
    double inside = 0;
    const double star_px = size_at(options, 0, options.seeing_arcsec);
    for (std::size_t i = 0; i < difference.size(); ++i) {
      const double dx = static_cast<double>(i % 200) - sum_x / light;
      const double dy = static_cast<double>(i / 200) - sum_y / light;
      if (std::hypot(dx, dy) < star_px) inside += difference[i];
    }
    EXPECT_LT(inside / light, 0.35);  // a star has one half there
  }
}

TEST(Scenario, TheSkyChangesFromFrameToFrame) {
  RenderOptions options = rig(2);
  options.star_count = 0;
  options.positions_steps = evenly_spaced_positions(5000, 10, 6);
  const auto corner = [](const Frame& frame, int x0, int y0) {
    double sum = 0;
    for (int y = 0; y < 40; ++y) {
      for (int x = 0; x < 40; ++x) sum += frame.pixels.at(x0 + x, y0 + y);
    }
    return sum / 1600;
  };
  std::set<std::string> kinds;
  for (options.seed = 1; options.seed < 12; ++options.seed) {
    const RenderOptions made = made_with(options, {{"background_change", 2}});
    if (!kinds.insert(made.scenarios[0].meaning).second) continue;
    std::vector<double> sky;
    std::vector<double> slope;
    for (std::size_t i = 0; i < 6; ++i) {
      const Frame frame = frame_of(made, i);
      sky.push_back(sky_of(frame) - made.bias_adu);
      slope.push_back((corner(frame, 160, 120) - corner(frame, 0, 0)) / sky.back());
    }
    const auto level = std::minmax_element(sky.begin(), sky.end());
    EXPECT_NEAR(*level.second / *level.first, 2.0, 0.15);
    const auto tip = std::minmax_element(slope.begin(), slope.end());
    EXPECT_GT(*tip.second - *tip.first, 0.3);
  }
  EXPECT_EQ(kinds.size(), 2U);
}

TEST(Scenario, BadSeeingWidensTheSmallestStar) {
  const RenderOptions options = rig(2);
  const RenderOptions made = made_with(options, {{"bad_seeing", 1}});
  const RenderOptions plain = made_with(options, {{"healthy", 1}});
  EXPECT_EQ(made.positions_steps, plain.positions_steps);  // planned for the usual seeing
  const double ratio = truth_of(made).best_hfr_px / truth_of(plain).best_hfr_px;
  EXPECT_GT(ratio, 1.7);  // the pixel and diffraction do not double
  EXPECT_LT(ratio, 2.05);
}

}  // namespace
}  // namespace starwaist
