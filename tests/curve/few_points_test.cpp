// Best focus from so few sizes that only the rig's slope can tell it.
#include "curve/few_points.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <vector>

#include "starwaist/curve.h"
#include "support/wave_optics.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

CurvePoint point(double position, double size) {
  CurvePoint p;
  p.file = "row";
  p.position_steps = position;
  p.size_px = size;
  return p;
}

// Arms of 5.6 / 300 px a step: sizes 6.2 and 5.0 at -300 and +300 lie on both of them.
Rig rig_of_slope(double px_per_step) {
  Rig rig;
  rig.f_number = 5;
  rig.obstruction = 0;
  rig.pixel_um = 3.76;
  rig.um_per_step = px_per_step / arm_slope_px_per_um(5, 0, 3.76);
  return rig;
}

TEST(FewPoints, TwoRingsOnBothSidesGiveTheCrossingOfTheArms) {
  // x0 = (x- H+ + x+ H-) / (H- + H+) = 32.143 for straight arms; 6.2 and 5.0 px are far out, where
  // the curve lies within 1.5 % of them: 0.015 * 300 steps at most.
  const auto result =
      fit_curve(std::vector{point(-300, 6.2), point(300, 5.0)}, rig_of_slope(5.6 / 300));
  ASSERT_TRUE(result && result->best_focus_steps);
  EXPECT_NEAR(*result->best_focus_steps, 32.143, 4.5);
  EXPECT_TRUE(result->interval_95_steps.contains(32.143));
  EXPECT_EQ(result->verdict, "doubtful");
  ASSERT_EQ(result->reasons.size(), 1U);
  EXPECT_THAT(result->reasons[0], HasSubstr("only 2 usable points"));
  ASSERT_TRUE(result->probability_in_zone);
  EXPECT_GT(*result->probability_in_zone, 0);
}

TEST(FewPoints, TwoRingsOnOneSideGiveAPlaceBeyondThem) {
  // Sizes that grow by the rig's slope between the two positions are on one arm.
  const double slope = 0.02;
  const auto result =
      fit_curve(std::vector{point(400, 6.0), point(600, 10.0)}, rig_of_slope(slope));
  ASSERT_TRUE(result && result->best_focus_steps);
  EXPECT_TRUE(result->interval_95_steps.contains(100));
  EXPECT_LT(*result->best_focus_steps, 300);
}

TEST(FewPoints, OneRingNamesBothPlaces) {
  const auto result = fit_curve(std::vector{point(1000, 8.0)}, rig_of_slope(0.02));
  ASSERT_TRUE(result);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_EQ(result->verdict, "unusable");
  ASSERT_EQ(result->reasons.size(), 1U);
  EXPECT_THAT(result->reasons[0], HasSubstr(" or at "));
  // A ring of 8 px is some 8 / 0.02 = 400 steps from focus, less where the seeing has a part in it.
  EXPECT_THAT(result->reasons[0], HasSubstr("best focus may lie at 6"));
  EXPECT_THAT(result->reasons[0], HasSubstr("or at 13"));
}

TEST(FewPoints, RepeatsAtOnePlaceAreOneRing) {
  const auto result =
      fit_curve(std::vector{point(1000, 2.0), point(1000, 2.1)}, rig_of_slope(0.02));
  ASSERT_TRUE(result);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_EQ(result->verdict, "unusable");
}

TEST(FewPoints, NoRigNoAnswer) {
  const auto result = fit_curve(std::vector{point(-300, 6.2), point(300, 5.0)}, {});
  ASSERT_TRUE(result);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_EQ(result->verdict, "unusable");
}

// Two and three rings of a telescope made by wave optics, sizes 2 % off: the interval holds the
// truth: 95 of 100; with the standard error of that count (2.2) three times over, at least 88.
TEST(FewPoints, IntervalsHoldTheTruthOnWaveOptics) {
  wave::Optics optics;
  optics.focal_ratio = 5;
  optics.obstruction = 0.3;
  optics.seeing_hfr_um = 7;
  const double core_um = 2 * 5 * 7 / std::sqrt(0.5 * (1 + 0.09));
  const wave::FocusCurve curve(optics, 7 * core_um);
  Rig rig;
  rig.f_number = 5;
  rig.obstruction = 0.3;
  rig.pixel_um = 3.76;
  rig.um_per_step = 1;
  std::mt19937_64 random(4);
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform(-1, 1);
  int inside = 0;
  int answered = 0;
  for (int trial = 0; trial < 100; ++trial) {
    const double best = 500 * uniform(random);
    std::vector<CurvePoint> points;
    for (const double u : trial % 2 == 0 ? std::vector{-4.0, 4.0} : std::vector{-3.5, 0.5, 4.5}) {
      const double from_best = core_um * (u + 0.8 * uniform(random));
      const double size = curve.at(curve.best_um() + from_best) / 3.76;
      points.push_back(point(best + from_best, size * (1 + 0.02 * normal(random))));
    }
    const auto result = fit_curve(points, rig);
    ASSERT_TRUE(result);
    EXPECT_NE(result->verdict, "trusted");
    if (!result->best_focus_steps) continue;
    ++answered;
    inside += result->interval_95_steps.contains(best) ? 1 : 0;
  }
  EXPECT_GE(answered, 90);
  EXPECT_GE(inside, answered - 12);
}

}  // namespace
}  // namespace starwaist
