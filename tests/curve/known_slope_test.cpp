// Best focus from so few or so spoiled sizes that only a slope known beforehand can give it.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <vector>

#include "curve/made_run.h"
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
  EXPECT_EQ(result->verdict, Verdict::doubtful);
  ASSERT_EQ(result->reasons.size(), 1U);
  EXPECT_THAT(result->reasons[0].text, HasSubstr("only 2 usable points"));
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
  EXPECT_EQ(result->verdict, Verdict::unusable);
  ASSERT_EQ(result->reasons.size(), 1U);
  EXPECT_THAT(result->reasons[0].text, HasSubstr(" or at "));
  // A ring of 8 px is some 8 / 0.02 = 400 steps from focus, less where the seeing has a part in it.
  EXPECT_THAT(result->reasons[0].text, HasSubstr("best focus may lie at 6"));
  EXPECT_THAT(result->reasons[0].text, HasSubstr("or at 13"));
}

TEST(FewPoints, RepeatsAtOnePlaceAreOneRing) {
  const auto result =
      fit_curve(std::vector{point(1000, 2.0), point(1000, 2.1)}, rig_of_slope(0.02));
  ASSERT_TRUE(result);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_EQ(result->verdict, Verdict::unusable);
}

TEST(FewPoints, NoRigNoAnswer) {
  const auto result = fit_curve(std::vector{point(-300, 6.2), point(300, 5.0)}, {});
  ASSERT_TRUE(result);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_EQ(result->verdict, Verdict::unusable);
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
    EXPECT_NE(result->verdict, Verdict::trusted);
    if (!result->best_focus_steps) continue;
    ++answered;
    inside += result->interval_95_steps.contains(best) ? 1 : 0;
  }
  EXPECT_GE(answered, 90);
  EXPECT_GE(inside, answered - 12);
}

// A telescope of which 40 other runs give 0.02 px a step +- 4 % and 2 px in focus +- 15 %, sizes
// good to 2 % far out and 5 % in focus.
KnownArms usual_arms() {
  KnownArms arms;
  arms.size = SizeMeasure::fwhm;
  arms.slope_px_per_step = 0.02;
  arms.slope_relative_sigma = 0.04;
  arms.min_size_px = 2;
  arms.min_size_relative_spread = 0.15;
  arms.scatter_far_out = 0.02;
  arms.scatter_of_seeing = 0.045;
  arms.runs = 40;
  return arms;
}

FitOptions widths(const std::optional<KnownArms>& arms) {
  FitOptions options;
  options.size = SizeMeasure::fwhm;
  options.known_arms = arms;
  return options;
}

// On a hyperbola of 2 px and 0.02 px a step.
CurvePoint on_curve(double position, double best_focus) {
  return point(position, made::Curve{best_focus, 2, 0.02}.at(position));
}

TEST(KnownArms, TwoPointsOnOneSideGiveTheCurvesMinimum) {
  const std::vector points{on_curve(5200, 5000), on_curve(5300, 5000)};
  const auto fit = fit_curve(points, {}, widths(usual_arms()));
  ASSERT_TRUE(fit && fit->best_focus_steps);
  // From exact sizes only what is thought beforehand can move it: the slope's 4 % of 250 steps is
  // one sigma; and the blur curve is 1 to 4 % below the hyperbola here, 9 steps at most.
  EXPECT_NEAR(*fit->best_focus_steps, 5000, 10 + 9);
  EXPECT_TRUE(fit->interval_95_steps.contains(5000));
  EXPECT_EQ(fit->verdict, Verdict::doubtful);
  EXPECT_EQ(fit->chosen, CurveModel::blur);
  ASSERT_EQ(fit->reasons.size(), 1U);
  EXPECT_THAT(fit->reasons[0].text,
              HasSubstr("only 2 usable points: the slope of the arms (0.02000 +- 0.00080 px per "
                        "step) and the size in focus (2.00 +- 0.30 px) are those of 40 other runs, "
                        "and nothing in this run checks them"));
  EXPECT_FALSE(fit->probability_in_zone);  // no rig
  const auto curve = curve_size_px(*chosen_model(*fit), 5250);
  ASSERT_TRUE(curve);
  EXPECT_NEAR(*curve, made::Curve{}.at(5280), 0.2);  // of 5.4 px: two scatters of a size
}

TEST(KnownArms, MovesAndGrowsWithThePoints) {
  // Where the zero of the focuser is and how long a step is changes nothing but the numbers.
  const std::vector points{on_curve(5200, 5000), on_curve(5300, 5000)};
  const auto fit = fit_curve(points, {}, widths(usual_arms()));
  std::vector<CurvePoint> other = points;
  for (CurvePoint& p : other) p.position_steps = -0.01 * (p.position_steps - 5000);
  KnownArms arms = usual_arms();
  arms.slope_px_per_step *= 100;
  const auto moved = fit_curve(other, {}, widths(arms));
  ASSERT_TRUE(fit && moved && fit->best_focus_steps && moved->best_focus_steps);
  // A grid of 400 places over some 100 steps.
  EXPECT_NEAR(*moved->best_focus_steps, -0.01 * (*fit->best_focus_steps - 5000), 0.0025);
  EXPECT_NEAR(*moved->best_focus_sigma_steps, 0.01 * *fit->best_focus_sigma_steps, 0.001);
}

TEST(KnownArms, OneRingNamesBothPlaces) {
  const auto fit = fit_curve(std::vector{on_curve(5300, 5000)}, {}, widths(usual_arms()));
  ASSERT_TRUE(fit);
  EXPECT_FALSE(fit->best_focus_steps);
  EXPECT_EQ(fit->verdict, Verdict::unusable);
  ASSERT_EQ(fit->reasons.size(), 2U);
  EXPECT_THAT(fit->reasons[0].text, HasSubstr("only 1 usable point"));
  EXPECT_THAT(fit->reasons[1].text, HasSubstr("of 40 other runs best focus may lie at "));
  EXPECT_THAT(fit->reasons[1].text, HasSubstr(" or at "));
}

TEST(KnownArms, ABadPointAmongThoseOfOneSideIsNamed) {
  std::vector<CurvePoint> points;
  for (const double x : {5100, 5160, 5220, 5280}) points.push_back(on_curve(x, 5000));
  *points[1].size_px *= 2.2;
  const auto alone = fit_curve(points, {}, widths({}));
  ASSERT_TRUE(alone);
  ASSERT_EQ(alone->verdict, Verdict::unusable);
  const auto fit = fit_curve(points, {}, widths(usual_arms()));
  ASSERT_TRUE(fit && fit->best_focus_steps);
  EXPECT_EQ(fit->verdict, Verdict::doubtful);
  EXPECT_TRUE(fit->interval_95_steps.contains(5000));
  EXPECT_FALSE(fit->points[1].used);
  ASSERT_TRUE(fit->points[1].reason);
  EXPECT_THAT(fit->points[1].reason->text, HasSubstr("above the curve"));
  EXPECT_THAT(fit->reasons[0].text, HasSubstr("by itself this run gives no best focus"));
}

TEST(KnownArms, PointsThatContradictThemStayRefused) {
  // A focuser that did not move: the same size at all places of a range of three curve widths.
  std::vector<CurvePoint> still;
  for (const double x : {4700, 4800, 4900, 5000, 5100, 5200, 5300}) {
    still.push_back(point(x, 3));
  }
  const auto alone = fit_curve(still, {}, widths({}));
  const auto fit = fit_curve(still, {}, widths(usual_arms()));
  ASSERT_TRUE(alone && fit);
  EXPECT_EQ(alone->verdict, Verdict::unusable);
  EXPECT_EQ(fit->verdict, Verdict::unusable);
  ASSERT_EQ(fit->reasons.size(), alone->reasons.size() + 1);
  EXPECT_EQ(fit->reasons.front(), alone->reasons.front());
  EXPECT_THAT(fit->reasons.back().text, HasSubstr("of 40 other runs"));
  // Two sizes whose rise is a fifth of the arms'.
  const auto shallow =
      fit_curve(std::vector{point(5200, 6), point(5400, 6.8)}, {}, widths(usual_arms()));
  ASSERT_TRUE(shallow);
  EXPECT_EQ(shallow->verdict, Verdict::unusable);
}

TEST(KnownArms, ChangeNothingWhereARunHasAnAnswer) {
  std::mt19937_64 random(3);
  for (int trial = 0; trial < 20; ++trial) {
    auto points = made::run({5030, 2.5, 0.025}, 7, 5000, 250);
    made::add_relative_noise(points, 0.02, random);
    const auto alone = fit_curve(points, {}, widths({}));
    const auto fit = fit_curve(points, {}, widths(usual_arms()));
    ASSERT_TRUE(alone && fit);
    ASSERT_NE(alone->verdict, Verdict::unusable);
    EXPECT_EQ(fit->best_focus_steps, alone->best_focus_steps);
    EXPECT_EQ(fit->interval_95_steps.low, alone->interval_95_steps.low);
    EXPECT_EQ(fit->interval_95_steps.high, alone->interval_95_steps.high);
    EXPECT_EQ(fit->verdict, alone->verdict);
    EXPECT_EQ(fit->reasons, alone->reasons);
    EXPECT_EQ(fit->notes, alone->notes);
  }
}

TEST(KnownArms, OfAnotherMeasureOrModelAreLeftAside) {
  const std::vector points{on_curve(5200, 5000), on_curve(5300, 5000)};
  FitOptions options = widths(usual_arms());
  options.size = SizeMeasure::hfr;
  const auto radii = fit_curve(points, {}, options);
  ASSERT_TRUE(radii);
  EXPECT_FALSE(radii->best_focus_steps);
  options = widths(usual_arms());
  options.model = CurveModel::parabola;
  const auto parabola = fit_curve(points, {}, options);
  ASSERT_TRUE(parabola);
  EXPECT_FALSE(parabola->best_focus_steps);
}

// The arms of one made run.
ArmsOfRun arms_of_made(double slope, double smallest, double noise, std::mt19937_64& random) {
  auto points = made::run({5000, smallest, slope}, 11, 5000, 4 * smallest / slope);
  made::add_relative_noise(points, noise, random);
  const auto fit = fit_curve(points, {}, widths({}));
  const auto arms = fit ? arms_of(*fit) : std::nullopt;
  EXPECT_TRUE(arms);
  return arms.value_or(ArmsOfRun{});
}

TEST(LearnArms, FindsSlopeSizeAndScatterOfMadeRuns) {
  std::mt19937_64 random(11);
  std::normal_distribution<double> normal;
  std::vector<ArmsOfRun> runs;
  constexpr int kRuns = 60;
  for (int i = 0; i < kRuns; ++i) {
    runs.push_back(arms_of_made(0.02 * std::exp(0.05 * normal(random)),
                                2 * std::exp(0.15 * normal(random)), 0.02, random));
  }
  const auto arms = learn_arms(runs);
  ASSERT_TRUE(arms);
  EXPECT_EQ(arms->runs, kRuns);
  EXPECT_EQ(arms->size, SizeMeasure::fwhm);
  // Medians of 60: standard error 1.2533 / sqrt(60) = 0.16 of the spread; three of them. A robust
  // spread of 60 is good to 1.17 / sqrt(60) = 0.15 of itself (MAD's efficiency is 0.37).
  EXPECT_NEAR(std::log(arms->slope_px_per_step / 0.02), 0, 0.025);
  EXPECT_NEAR(arms->slope_relative_sigma, 0.05, 0.024);
  EXPECT_NEAR(std::log(arms->min_size_px / 2), 0, 0.075);
  EXPECT_NEAR(arms->min_size_relative_spread, 0.15, 0.07);
  // 2 % everywhere: of some 400 far points 1.17 / sqrt(400) = 6 % of itself, of 150 near ones 10 %;
  // the fit's three parameters take more from the points far out than from the mean one.
  EXPECT_NEAR(arms->scatter_far_out, 0.02, 0.006);
  EXPECT_LT(arms->scatter_of_seeing, 0.016);
}

TEST(LearnArms, AWildRunAmongManyDoesNoHarm) {
  std::mt19937_64 random(5);
  std::vector<ArmsOfRun> runs;
  for (int i = 0; i < 20; ++i) runs.push_back(arms_of_made(0.02, 2, 0.02, random));
  const auto before = learn_arms(runs);
  runs.push_back(arms_of_made(0.05, 2, 0.02, random));
  const auto after = learn_arms(runs);
  ASSERT_TRUE(before && after);
  EXPECT_NEAR(after->slope_px_per_step / before->slope_px_per_step, 1, 0.01);
}

TEST(LearnArms, TellsNothingFromFewRunsOrFromTwoTelescopes) {
  std::mt19937_64 random(6);
  std::vector<ArmsOfRun> runs;
  for (int i = 0; i < 7; ++i) runs.push_back(arms_of_made(0.02, 2, 0.02, random));
  EXPECT_FALSE(learn_arms(runs));
  runs.push_back(arms_of_made(0.02, 2, 0.02, random));
  EXPECT_TRUE(learn_arms(runs));
  // Half, and a fifth, of another slope: 2.5 times larger, or half as large (another binning).
  for (const double other : {0.05, 0.01}) {
    for (const int of_other : {8, 2}) {
      std::vector<ArmsOfRun> mixed = runs;
      for (int i = 0; i < of_other; ++i) {
        mixed.push_back(arms_of_made(other, 2, 0.02, random));
      }
      EXPECT_FALSE(learn_arms(mixed)) << other << " " << of_other;
    }
  }
  runs.push_back(runs.front());
  runs.back().size = SizeMeasure::hfr;
  EXPECT_FALSE(learn_arms(runs));
}

TEST(LearnArms, OnlyTrustedRunsCount) {
  const auto fit = fit_curve(made::run({5000, 2, 0.02}, 4, 5000, 300), {}, widths({}));
  ASSERT_TRUE(fit);
  ASSERT_NE(fit->verdict, Verdict::trusted);
  EXPECT_FALSE(arms_of(*fit));
}

// Telescopes by wave optics, seeing of each night its own, sizes 1.5 % off: 40 full sweeps teach
// the arms; then 2, 3 and 4 points on one side. 95 of 100 intervals hold the truth; less three
// standard errors of that count (2.2) at least 88.
TEST(LearnArms, IntervalsOfOneSidedPointsHoldTheTruthOnWaveOptics) {
  for (const double w040 : {0.0, 0.5}) {
    std::vector<wave::FocusCurve> nights;
    std::vector<double> cores_um;
    for (const double seeing_um : {5.8, 7.0, 8.5}) {
      wave::Optics optics;
      optics.focal_ratio = 5;
      optics.obstruction = 0.3;
      optics.w040_waves = w040;
      optics.seeing_hfr_um = seeing_um;
      cores_um.push_back(2 * 5 * seeing_um / std::sqrt(0.5 * (1 + 0.09)));
      nights.emplace_back(optics, 7 * cores_um.back());
    }
    std::mt19937_64 random(8);
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> uniform(-1, 1);
    const auto sweep = [&](std::size_t night, double best, const std::vector<double>& places) {
      std::vector<CurvePoint> points;
      for (const double u : places) {
        const double from_best = cores_um[night] * u;
        const double size = nights[night].at(nights[night].best_um() + from_best) / 3.76;
        points.push_back(point(best + from_best, size * (1 + 0.015 * normal(random))));
      }
      return points;
    };
    std::vector<ArmsOfRun> runs;
    for (std::size_t i = 0; i < 40; ++i) {
      const auto fit =
          fit_curve(sweep(i % nights.size(), 3000, {-4, -3, -2, -1, 0, 1, 2, 3, 4}), {});
      ASSERT_TRUE(fit);
      if (const auto arms = arms_of(*fit)) runs.push_back(*arms);
    }
    FitOptions options;
    options.known_arms = learn_arms(runs);
    ASSERT_TRUE(options.known_arms);
    for (const std::size_t count : {2U, 3U, 4U}) {
      int answered = 0;
      int inside = 0;
      for (std::size_t trial = 0; trial < 100; ++trial) {
        const double side = trial % 2 == 0 ? 1 : -1;
        const double best = 3000 + 500 * uniform(random);
        const double nearest = 1.2 + 0.5 * uniform(random);
        std::vector<double> places;
        for (std::size_t i = 0; i < count; ++i) {
          places.push_back(side * (nearest + 0.9 * static_cast<double>(i)));
        }
        const auto points = sweep(trial % nights.size(), best, places);
        if (fit_curve(points, {})->verdict != Verdict::unusable) continue;
        const auto fit = fit_curve(points, {}, options);
        ASSERT_TRUE(fit);
        EXPECT_NE(fit->verdict, Verdict::trusted);
        if (!fit->best_focus_steps) continue;
        ++answered;
        inside += fit->interval_95_steps.contains(best) ? 1 : 0;
      }
      EXPECT_GE(answered, count == 2 ? 60 : 40) << count << " points, W040 " << w040;
      EXPECT_GE(inside, 0.88 * answered) << count << " points, W040 " << w040;
    }
  }
}

}  // namespace
}  // namespace starwaist
