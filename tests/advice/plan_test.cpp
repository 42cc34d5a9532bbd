// Predictions and plans against numbers worked out apart from the library.
#include "starwaist/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <random>

#include "advice/information.h"
#include "advice/night.h"
#include "curve/made_run.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

// A rig whose numbers can be followed by hand: f/5, 500 mm, 3.76 um, 1 um a step.
Rig plain_rig() {
  Rig rig;
  rig.f_number = 5;
  rig.focal_length_mm = 500;
  rig.obstruction = 0;
  rig.pixel_um = 3.76;
  rig.um_per_step = 1;
  rig.seeing_arcsec = 3;
  return rig;
}

NightFacts plain_night() {
  NightFacts night;
  night.smallest_px = 2;
  night.slope_px_per_step = 0.02;
  return night;
}

// sd(x0) / (B rel) of a hyperbola with the same relative error everywhere, computed apart from this
// code (numpy): nine equal steps by half range, and half range 3 by number of points.
TEST(Information, MatchesTheTableOfEqualRelativeErrors) {
  const auto sigma = [](int n, double half_range, double offset) {
    advice::Information information;
    for (int i = 0; i < n; ++i) {
      information.add(curve::Shape::hyperbola(), offset + half_range * (2.0 * i / (n - 1) - 1),
                      {.measuring = 1, .seeing = 0, .frames = 1});
    }
    return *information.sigma();
  };
  constexpr double kPrinted = 0.0006;  // three decimals
  const std::array<std::array<double, 2>, 7> by_range{
      {{1, .848}, {1.5, .792}, {2, .799}, {3, .863}, {4, .949}, {5, 1.047}, {8, 1.395}}};
  for (const auto& [range, expected] : by_range) {
    EXPECT_NEAR(sigma(9, range, 0), expected, kPrinted) << range;
  }
  const std::array<std::array<double, 2>, 5> by_count{
      {{5, 1.285}, {7, 1.000}, {9, .863}, {11, .775}, {15, .659}}};
  for (const auto& [n, expected] : by_count) {
    EXPECT_NEAR(sigma(static_cast<int>(n), 3, 0), expected, kPrinted) << n;
  }
  const std::array<std::array<double, 2>, 4> by_offset{
      {{1, .917}, {2, 1.17}, {3, 2.34}, {4, 7.39}}};
  for (const auto& [offset, expected] : by_offset) {
    EXPECT_NEAR(sigma(9, 3, offset), expected, 0.006) << offset;  // three digits
  }
}

// 3 % noise, nine points, half range 3 B, B = 106.35 um: 2.75 um, a tenth of 2 lambda N^2.
TEST(Information, MatchesTheWorkedExample) {
  advice::Information information;
  for (int i = 0; i < 9; ++i) {
    information.add(curve::Shape::hyperbola(), 3 * (i / 4.0 - 1),
                    {.measuring = 0.03, .seeing = 0, .frames = 1});
  }
  EXPECT_NEAR(*information.sigma() * 106.35, 2.75, 0.01);
}

TEST(Information, AveragedFramesAndUndeterminedCurves) {
  advice::Information one;
  advice::Information four;
  for (const double u : {-2.0, -1.0, 0.0, 1.0, 2.0}) {
    one.add(curve::Shape::hyperbola(), u, {.measuring = 0.02, .seeing = 0.03, .frames = 1});
    four.add(curve::Shape::hyperbola(), u, {.measuring = 0.02, .seeing = 0.03, .frames = 4});
  }
  EXPECT_NEAR(*four.sigma() / *one.sigma(), 0.5, 1e-9);
  advice::Information two_places;
  for (const double u : {-1.0, 1.0, 1.0}) {
    two_places.add(curve::Shape::hyperbola(), u, {});
  }
  EXPECT_FALSE(two_places.sigma());
}

// Hyperbola: u at which the size has doubled is sqrt(3).
TEST(DistanceOfRatio, IsTheInverseOfTheCurve) {
  EXPECT_NEAR(advice::distance_of_ratio(curve::Shape::hyperbola(), 2), std::sqrt(3.0), 1e-9);
  EXPECT_NEAR(advice::distance_of_ratio(curve::Shape::hyperbola(), 1), 0, 1e-6);
}

// Kolmogorov's half-flux radius is 0.5685 FWHM: 500 mm and 3 arcsec are 7.272 um of FWHM, 4.134 um
// of half-flux radius; with 1.471 um of diffraction (0.534832 lambda N) and 1.5 um of the pixel
// (0.398942 px) it makes 4.638 um, 1.2335 px. Slope 1 / (2 sqrt 2 N p) = 0.018807 px an um, so B =
// 65.59 um. By hand.
TEST(NightFromOptics, AddsSeeingDiffractionAndPixel) {
  const auto night = night_from_optics(plain_rig());
  ASSERT_TRUE(night);
  EXPECT_NEAR(night->smallest_px, 1.2335, 0.001);
  EXPECT_NEAR(night->slope_px_per_step, 0.018807, 1e-5);
  EXPECT_NEAR(night->core_steps(), 65.59, 0.1);
  // The seeing's part: (4.134 / 4.638)^2.
  EXPECT_NEAR(night->seeing_share, 0.7945, 0.002);
}

TEST(NightFromOptics, SaysWhatItAssumesAndWhatIsMissing) {
  Rig rig;
  rig.f_number = 4;
  EXPECT_THAT(night_from_optics(rig).error().text(), HasSubstr("--um-per-step"));
  rig.um_per_step = 2;
  const auto night = night_from_optics(rig);
  ASSERT_TRUE(night);
  EXPECT_THAT(night->notes, testing::Contains(HasSubstr("focal length is not known")));
  rig.f_number.reset();
  EXPECT_EQ(night_from_optics(rig).error().code, ErrorCode::invalid_argument);
  rig = plain_rig();
  rig.um_per_step.reset();
  EXPECT_NEAR(night_from_optics(rig, 0.03)->slope_px_per_step, 0.03, 1e-12);
  EXPECT_FALSE(night_from_optics(rig, -1));
}

TEST(NightFromRuns, FindsCurveAndNoise) {
  std::mt19937_64 random(7);
  std::vector<FitResult> quiet;
  std::vector<FitResult> noisy;
  for (int i = 0; i < 4; ++i) {
    auto points = made::run({}, 11, 5030, 300);
    made::add_relative_noise(points, 0.01, random);
    quiet.push_back(*fit_curve(points, Rig{}));
    made::add_relative_noise(points, 0.06, random);
    noisy.push_back(*fit_curve(points, Rig{}));
  }
  const auto calm = night_from_runs(quiet, Rig{}, 2.0);
  ASSERT_TRUE(calm);
  EXPECT_NEAR(calm->smallest_px, 2, 0.1);
  EXPECT_NEAR(calm->core_steps(), 100, 8);
  EXPECT_NEAR(*calm->best_focus_steps, 5030, 10);
  EXPECT_EQ(calm->exposure_s, 2);
  const auto rough = night_from_runs(noisy, Rig{}, 2.0);
  ASSERT_TRUE(rough);
  // Sizes that scatter six times as much give a plan that expects at least twice the error.
  const std::vector<double> positions{4800, 4900, 5000, 5060, 5160, 5260};
  EXPECT_GT(*predicted_sigma_steps(*rough, Rig{}, positions, 5030),
            2 * *predicted_sigma_steps(*calm, Rig{}, positions, 5030));
  EXPECT_EQ(night_from_runs({}, Rig{}).error().code, ErrorCode::no_data);
}

TEST(NoiseOf, RecoversTheSeeingsScatter) {
  std::mt19937_64 random(3);
  std::normal_distribution<double> normal;
  for (const double truth : {0.015, 0.06}) {
    std::vector<advice::Deviation> deviations;
    for (int i = 0; i < 200; ++i) {
      const double share = i % 2 == 0 ? 1.0 : 0.2;
      deviations.push_back({std::hypot(0.01, truth * share) * normal(random), 0.01, share});
    }
    // 200 values give their scatter to 5 %, the grid of scatters to a factor of 1.4.
    EXPECT_NEAR(std::log(advice::noise_of(deviations, 197).seeing / truth), 0, 0.35) << truth;
  }
}

TEST(PlanRun, KeepsTheRules) {
  for (const double f_number : {2.0, 5.0, 10.0}) {
    for (const double um_per_step : {0.3, 2.0, 12.0}) {
      Rig rig = plain_rig();
      rig.f_number = f_number;
      rig.um_per_step = um_per_step;
      const auto night = night_from_optics(rig);
      const auto plan = plan_run(*night, rig);
      ASSERT_TRUE(plan);
      EXPECT_GE(plan->points, VerdictRules::kTrustedPoints);
      EXPECT_GE(plan->step_steps, 1);
      EXPECT_EQ(plan->step_steps, std::round(plan->step_steps));
      EXPECT_NEAR(plan->half_range_steps, 0.5 * (plan->points - 1) * plan->step_steps, 1e-9);
      EXPECT_NEAR(*plan->critical_focus_zone_um, 4 * 0.55 * f_number * f_number, 1e-9);
      if (plan->step_steps > 1) {
        EXPECT_GE(plan->edge_size_ratio, 1.7);  // whole steps of few change it
        EXPECT_LE(plan->edge_size_ratio, 3.5);
      }
      EXPECT_FALSE(plan->alternatives.empty());
    }
  }
}

TEST(PlanRun, TakesMoreTimeForANoisierNightAndLessForAWiderGoal) {
  NightFacts night = plain_night();
  const auto easy = plan_run(night, plain_rig());
  PlanOptions strict;
  strict.wanted_sigma_steps = 0.6 * easy->expected_sigma_steps;
  const auto accurate = plan_run(night, plain_rig(), strict);
  EXPECT_GT(accurate->minutes, easy->minutes);
  EXPECT_LE(accurate->expected_sigma_steps, *strict.wanted_sigma_steps);
  night.seeing_scatter = 0.12;
  night.measuring_error = 0.05;
  EXPECT_GT(plan_run(night, plain_rig())->minutes, easy->minutes);
}

// No sweep of the same exposure that reaches the goal by the same prediction is quicker.
TEST(PlanRun, IsTheQuickestThatReachesTheGoal) {
  const NightFacts night = plain_night();
  PlanOptions options;
  options.wanted_sigma_steps = 1.2;
  const auto plan = plan_run(night, plain_rig(), options);
  const double found =
      plan->points *
      (options.move_s + plan->frames_per_point * (plan->exposure_s + options.download_s));
  EXPECT_NEAR(plan->minutes, found / 60, 1e-9);
  for (int n = VerdictRules::kTrustedPoints; n <= 21; ++n) {
    const double time = n * (options.move_s + plan->exposure_s + options.download_s);
    if (time >= found) continue;
    for (double step = 1; step < 200; ++step) {
      const double edge = std::hypot(1, 0.5 * (n - 1) * step / night.core_steps());
      if (edge > 2.9 || edge < 2.1) continue;
      // The best case, centred exactly, is no better than what the plan allows for.
      std::vector<double> positions;
      for (int i = 0; i < n; ++i) positions.push_back((i - 0.5 * (n - 1)) * step);
      EXPECT_GT(*predicted_sigma_steps(night, plain_rig(), positions, 0.6 * night.core_steps()),
                0.95 * *options.wanted_sigma_steps)
          << n << " " << step;
    }
  }
}

TEST(PlanRun, StaysWithinTheLimits) {
  NightFacts night = plain_night();
  night.best_focus_steps = 5000;
  night.best_focus_sigma_steps = 2;
  Rig rig = plain_rig();
  rig.min_position_steps = 4950.5;
  rig.max_position_steps = 5600;
  const auto plan = plan_run(night, rig);
  ASSERT_TRUE(plan);
  ASSERT_EQ(static_cast<int>(plan->positions_steps.size()), plan->points);
  for (const double p : plan->positions_steps) {
    EXPECT_GE(p, 4951);
    EXPECT_LE(p, 5600);
  }
  EXPECT_THAT(plan->notes, testing::Contains(HasSubstr("limits push the sweep")));
  rig.max_position_steps = 4990;
  EXPECT_FALSE(plan_run(night, rig));  // best focus beyond the limit
  night.best_focus_steps.reset();
  rig.max_position_steps = 4953;
  EXPECT_FALSE(plan_run(night, rig));  // no room
}

TEST(PlanRun, SaysThatTheFocuserIsTooCoarse) {
  Rig rig = plain_rig();
  rig.f_number = 2;
  rig.um_per_step = 12;  // the zone is 8.8 um: 0.733 steps; seven to one makes 5.1
  const auto plan = plan_run(*night_from_optics(rig), rig);
  ASSERT_TRUE(plan);
  EXPECT_THAT(plan->notes,
              testing::Contains(testing::AllOf(HasSubstr("coarse"), HasSubstr("7 : 1"))));
}

TEST(PlanRun, RefusesNonsense) {
  NightFacts night = plain_night();
  PlanOptions options;
  options.download_s = -1;
  EXPECT_FALSE(plan_run(night, plain_rig(), options));
  options = {};
  options.probability = 1;
  EXPECT_FALSE(plan_run(night, plain_rig(), options));
  options = {};
  options.wanted_sigma_steps = std::nan("");
  EXPECT_FALSE(plan_run(night, plain_rig(), options));
  night.smallest_px = std::nan("");
  EXPECT_FALSE(plan_run(night, plain_rig()));
  EXPECT_FALSE(predicted_sigma_steps(night, plain_rig(), std::vector{1.0, 2.0, 3.0}, 2));
}

TEST(RigWithMeasuredStep, FollowsFromTheSlope) {
  Rig rig = plain_rig();
  rig.um_per_step.reset();
  NightFacts night = plain_night();
  night.slope_px_per_step = 0.0376;  // 0.018807 px an um: two um a step
  EXPECT_NEAR(*rig_with_measured_step(rig, night).um_per_step, 2, 0.001);
}

// Follows the advice on a noise-free curve from a start anywhere within 6 B.
TEST(NextSample, BracketsAndEndsFromAnywhere) {
  const NightFacts night = plain_night();
  const made::Curve curve{5030, 2, 0.02};  // B = 100
  for (double start = 5030 - 600; start <= 5030 + 600; start += 75) {
    std::vector<CurvePoint> points;
    NextSampleOptions options;
    options.start_steps = start;
    options.wanted_sigma_steps = 3;
    auto advice = next_sample(points, night, plain_rig(), options);
    ASSERT_TRUE(advice);
    EXPECT_EQ(*advice->next_position_steps, start);
    int bracketing = 0;
    while (advice && !advice->enough && advice->next_position_steps && points.size() < 30) {
      bracketing += advice->bracketing ? 1 : 0;
      CurvePoint p;
      p.position_steps = *advice->next_position_steps;
      p.size_px = curve.at(p.position_steps);
      points.push_back(p);
      advice = next_sample(points, night, plain_rig(), options);
      ASSERT_TRUE(advice);
    }
    EXPECT_TRUE(advice->enough) << start << " " << advice->reason;
    EXPECT_LE(bracketing, 5) << start;
    EXPECT_LE(points.size(), 12U) << start;
    // The curve is a hyperbola, the adviser's that of a blurred star: up to 5 % apart.
    EXPECT_NEAR(*advice->best_focus_steps, 5030, 5) << start;
  }
}

TEST(NextSample, RespectsLimitsAndRefusesNonsense) {
  Rig rig = plain_rig();
  rig.min_position_steps = 4900;
  rig.max_position_steps = 5500;
  const made::Curve curve{5800, 2, 0.02};  // best focus beyond the limit
  std::vector<CurvePoint> points;
  NextSampleOptions options;
  options.start_steps = 5000;
  auto advice = next_sample(points, plain_night(), rig, options);
  while (advice && advice->next_position_steps && points.size() < 30) {
    EXPECT_GE(*advice->next_position_steps, 4900);
    EXPECT_LE(*advice->next_position_steps, 5500);
    CurvePoint p;
    p.position_steps = *advice->next_position_steps;
    p.size_px = curve.at(p.position_steps);
    points.push_back(p);
    advice = next_sample(points, plain_night(), rig, options);
  }
  ASSERT_TRUE(advice);
  EXPECT_FALSE(advice->enough);
  EXPECT_THAT(advice->reason, HasSubstr("limit"));
  CurvePoint bad;
  bad.size_px = -1;
  EXPECT_FALSE(next_sample(std::vector{bad}, plain_night(), rig));
}

}  // namespace
}  // namespace starwaist
