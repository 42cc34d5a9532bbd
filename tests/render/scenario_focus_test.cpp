// Scenarios in which the focus is not where the focuser's position says: slack, no motion, jump,
// drift, and focus that differs over the field; judged from the truth's frames and from pixels.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <set>
#include <vector>

#include "render/scenario_runs.h"
#include "starwaist/render.h"

namespace starwaist {
namespace {

using scenario::frame_of;
using scenario::half_zone_um;
using scenario::made_with;
using scenario::one_star;
using scenario::rig;
using scenario::shape_in;
using scenario::strays_um;
using scenario::truth_of;

TEST(Scenario, SlackHoldsTheFirstFramesAndNoOthers) {
  for (const std::uint64_t seed : {1, 2}) {
    RenderOptions options = one_star(rig(2));
    options.seed += 1000 * seed;
    options.positions_steps = evenly_spaced_positions(5000, seed % 2 == 0 ? 30 : -30, 9);
    const RenderOptions made = made_with(options, {{"slack", 2}});
    const RenderTruth truth = truth_of(made);
    const std::vector<double> strays = strays_um(made, truth);
    const double play_um = made.scenarios[0].amount * made.um_per_step;
    EXPECT_GE(play_um, 2 * 1.2 * 30 * made.um_per_step - 1e-9);
    // The whole play at first, ahead of the sweep; the focus stands still until it is used up.
    const double way = seed % 2 == 0 ? 1 : -1;
    EXPECT_NEAR(strays[0], way * play_um, 1e-6);
    EXPECT_NEAR(truth.frames[1].defocus_um, truth.frames[0].defocus_um, 1e-6);
    EXPECT_NEAR(strays[5], 0, 1e-6);
    EXPECT_NEAR(strays[8], 0, 1e-6);
    EXPECT_NEAR(truth.best_focus_steps, options.best_focus_steps, 1e-9);
  }
}

TEST(Slack, IsTakenUpAgainAfterEveryReversal) {
  RenderOptions options = rig(2);
  options.star_count = 1;
  options.slack_steps = 50;
  options.positions_steps = {5000, 5100, 5200, 5160, 5120, 5080, 5100, 5140};
  const RenderTruth truth = truth_of(options);
  // Focus in steps, worked out by hand: outwards it follows; inwards it waits 50 steps and then
  // lags by 50; outwards again it waits from 5130 until the position has come past it.
  const double focus[] = {5050, 5100, 5200, 5200, 5170, 5130, 5130, 5140};
  for (std::size_t i = 0; i < 8; ++i) {
    EXPECT_NEAR(truth.frames[i].defocus_um,
                (focus[i] - options.best_focus_steps) * options.um_per_step, 1e-6)
        << i;
  }
}

TEST(Scenario, WithoutMotionTheStarsStayAsTheyAre) {
  RenderOptions options = one_star(rig(2));
  options.positions_steps = evenly_spaced_positions(5000, 30, 9);
  const RenderOptions made = made_with(options, {{"no_motion", 1}});
  const RenderTruth truth = truth_of(made);
  EXPECT_NEAR(strays_um(made, truth)[5], 0, 1e-9);
  for (std::size_t i = 6; i < 9; ++i) {
    EXPECT_NEAR(truth.frames[i].defocus_um, truth.frames[5].defocus_um, 1e-9);
  }
  // In the pixels, too: the second moment of the last is that of the sixth (2e5 electrons make it
  // good to half a per cent, the sky to two), where the first is far wider.
  const double stuck = shape_in(made, truth, 5).along_x;
  EXPECT_NEAR(shape_in(made, truth, 8).along_x / stuck, 1, 0.08);
  EXPECT_GT(shape_in(made, truth, 0).along_x / stuck, 1.3);
  const RenderTruth whole = truth_of(made_with(options, {{"no_motion", 3}}));
  for (const RenderedFrame& frame : whole.frames) {
    EXPECT_NEAR(frame.defocus_um, whole.frames[0].defocus_um, 1e-9);
  }
}

TEST(Scenario, AJumpMovesBestFocusOnce) {
  RenderOptions options = rig(2);
  options.star_count = 1;
  options.positions_steps = evenly_spaced_positions(5001, 15, 5);
  std::set<bool> ways;
  for (std::uint64_t seed = 1; seed < 6; ++seed) {
    options.seed = seed;
    const RenderOptions made = made_with(options, {{"focus_jump", 2}});
    const std::vector<double> strays = strays_um(made, truth_of(made));
    std::set<long> levels;
    for (const double stray : strays) levels.insert(std::lround(1000 * stray));
    ASSERT_EQ(levels.size(), 2U);
    const double jump_um = strays.back() - strays.front();
    EXPECT_NEAR(std::abs(jump_um), std::abs(made.scenarios[0].amount) * made.um_per_step, 1e-6);
    EXPECT_GT(std::abs(jump_um), 0.5 * half_zone_um(made));
    ways.insert(jump_um > 0);
  }
  EXPECT_EQ(ways.size(), 2U);
}

TEST(Scenario, DriftFollowsTheTemperature) {
  for (const double f : {2.0, 6.0}) {
    RenderOptions options = rig(f);
    options.star_count = 1;
    options.positions_steps = evenly_spaced_positions(5001, 15, 5);
    const RenderOptions made = made_with(options, {{"thermal_drift", 2}});
    const RenderTruth truth = truth_of(made);
    const std::vector<double> strays = strays_um(made, truth);
    EXPECT_NEAR(std::abs(strays.back() - strays.front()), 2 * half_zone_um(made), 1e-6);
    EXPECT_NEAR(truth.best_focus_steps, options.best_focus_steps, 1e-6);
    const Frame first = frame_of(made, 0);
    const Frame last = frame_of(made, truth.frames.size() - 1);
    const double cooling_c = *first.facts.temperature_c - *last.facts.temperature_c;
    EXPECT_GT(cooling_c, 0);
    EXPECT_NEAR(strays.back() - strays.front(), made.focus_um_per_c * cooling_c, 1e-6);
  }
}

TEST(Scenario, TiltAndCurvatureAreTwoHalfZones) {
  for (const double f : {2.0, 6.0}) {
    const RenderOptions options = rig(f);
    const double half_zone = half_zone_um(options) / options.um_per_step;
    const RenderOptions tilted = made_with(options, {{"field_tilt", 1}});
    EXPECT_NEAR(std::hypot(tilted.tilt_x_steps, tilted.tilt_y_steps), 2 * half_zone, 1e-9);
    const RenderOptions curved = made_with(options, {{"field_curvature", 2}});
    EXPECT_NEAR(std::abs(curved.curvature_steps), 4 * half_zone, 1e-9);
  }
}

TEST(Scenario, MiscollimationPutsTheShadowOffCentre) {
  for (const double f : {3.0, 5.0}) {
    RenderOptions options = rig(f);
    options.obstruction = 0.4;
    const RenderOptions made = made_with(options, {{"miscollimation", 1}});
    double farthest_um = 0;
    for (const double position : made.positions_steps) {
      farthest_um =
          std::max(farthest_um, std::abs(position - made.best_focus_steps) * made.um_per_step);
    }
    // 4 N W131 (1 - e^2): 9.6525 um for a wave of 0.55 um at f/5 behind an obstruction of 0.35
    // (rays summed round the rims).
    EXPECT_NEAR(4 * 5.0 * 0.55 * (1 - 0.35 * 0.35), 9.6525, 1e-9);
    const double offset_um = 4 * f * made.aberrations.coma_w131_waves * kReferenceWavelengthUm *
                             (1 - options.obstruction * options.obstruction);
    EXPECT_NEAR(offset_um / (farthest_um / (2 * f)), 0.15, 1e-9) << f;
  }
}

}  // namespace
}  // namespace starwaist
