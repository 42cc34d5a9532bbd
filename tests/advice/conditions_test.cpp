// Conditions against numbers worked out by hand and against made runs.
#include "starwaist/conditions.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <random>
#include <string>
#include <vector>

#include "advice/observed_noise.h"
#include "advice/plain_rig.h"
#include "curve/made_run.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

// Kolmogorov's half-flux radius is 0.5685 FWHM: 500 mm and 3 arcsec are 7.272 um of FWHM, 4.134 um
// of half-flux radius; with 1.471 um of diffraction (0.534832 lambda N) and 1.5 um of the pixel
// (0.398942 px) it makes 4.638 um, 1.2335 px. Slope 1 / (2 sqrt 2 N p) = 0.018807 px an um, so B =
// 65.59 um. By hand.
TEST(ConditionsFromOptics, AddsSeeingDiffractionAndPixel) {
  const auto conditions = conditions_from_optics(plain_rig());
  ASSERT_TRUE(conditions);
  EXPECT_NEAR(conditions->smallest_px, 1.2335, 0.001);
  EXPECT_NEAR(conditions->slope_px_per_step, 0.018807, 1e-5);
  EXPECT_NEAR(conditions->core_steps(), 65.59, 0.1);
  // The seeing's part: (4.134 / 4.638)^2.
  EXPECT_NEAR(conditions->seeing_share, 0.7945, 0.002);
}

TEST(ConditionsFromOptics, SaysWhatItAssumesAndWhatIsMissing) {
  Rig rig;
  rig.f_number = 4;
  EXPECT_THAT(conditions_from_optics(rig).error().text(), HasSubstr("--um-per-step"));
  rig.um_per_step = 2;
  const auto conditions = conditions_from_optics(rig);
  ASSERT_TRUE(conditions);
  EXPECT_THAT(texts_of(conditions->notes),
              testing::Contains(HasSubstr("focal length is not known")));
  rig.f_number.reset();
  EXPECT_EQ(conditions_from_optics(rig).error().code, ErrorCode::invalid_argument);
  rig = plain_rig();
  rig.um_per_step.reset();
  EXPECT_NEAR(conditions_from_optics(rig, 0.03)->slope_px_per_step, 0.03, 1e-12);
  EXPECT_FALSE(conditions_from_optics(rig, -1));
}

TEST(ConditionsFromRuns, FindsCurveAndNoise) {
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
  const auto calm = conditions_from_runs(quiet, Rig{}, 2.0);
  ASSERT_TRUE(calm);
  EXPECT_NEAR(calm->smallest_px, 2, 0.1);
  EXPECT_NEAR(calm->core_steps(), 100, 8);
  EXPECT_NEAR(*calm->best_focus_steps, 5030, 10);
  EXPECT_EQ(calm->exposure_s, 2);
  const auto rough = conditions_from_runs(noisy, Rig{}, 2.0);
  ASSERT_TRUE(rough);
  // Sizes that scatter six times as much give a plan that expects at least twice the error.
  const std::vector<double> positions{4800, 4900, 5000, 5060, 5160, 5260};
  EXPECT_GT(*predicted_sigma_steps(*rough, Rig{}, positions, 5030),
            2 * *predicted_sigma_steps(*calm, Rig{}, positions, 5030));
  EXPECT_EQ(conditions_from_runs({}, Rig{}).error().code, ErrorCode::no_data);
}

TEST(ObservedNoise, RecoversTheSeeingsScatter) {
  std::mt19937_64 random(3);
  std::normal_distribution<double> normal;
  for (const double truth : {0.015, 0.06}) {
    std::vector<advice::Deviation> deviations;
    for (int i = 0; i < 200; ++i) {
      const double share = i % 2 == 0 ? 1.0 : 0.2;
      deviations.push_back({std::hypot(0.01, truth * share) * normal(random), 0.01, share});
    }
    // 200 values give their scatter to 5 %, the grid of scatters to a factor of 1.4.
    EXPECT_NEAR(std::log(advice::observed_noise(deviations, 197).seeing / truth), 0, 0.35) << truth;
  }
}

TEST(RigWithMeasuredStep, FollowsFromTheSlope) {
  Rig rig = plain_rig();
  rig.um_per_step.reset();
  ObservingConditions conditions = plain_conditions();
  conditions.slope_px_per_step = 0.0376;  // 0.018807 px an um: two um a step
  EXPECT_NEAR(*rig_with_measured_step(rig, conditions).um_per_step, 2, 0.001);
}

// Runs of a clear pupil whose step is 2 um (slope 0.0376 px a step): the stated error holds the
// truth, and many good points leave what no run shows, 3 %.
TEST(ConditionsFromRuns, SayTheStepThatTheSlopeShowsWithItsError) {
  Rig rig = plain_rig();
  rig.um_per_step.reset();
  std::vector<CurvePoint> points;
  for (int i = -6; i <= 6; ++i) {
    CurvePoint p;
    p.position_steps = 5000 + 30 * i;
    p.size_px = std::hypot(2.0, 0.0376 * 30 * i) * (1 + 0.004 * ((i * i * 3) % 5 - 2));
    points.push_back(p);
  }
  const std::vector runs{*fit_curve(points, rig)};
  const auto said = [&runs](const Rig& known) {
    const auto conditions = conditions_from_runs(runs, known, 3.0);
    for (const Statement& note : conditions->notes) {
      if (note.code == "um_per_step_learnt") return note.text;
    }
    return std::string();
  };
  double step = 0;
  double error = 0;
  ASSERT_EQ(
      std::sscanf(said(rig).c_str(), "one step moves the focus by %lf ± %lf um", &step, &error), 2)
      << said(rig);
  EXPECT_NEAR(step, 2, 2 * error);
  EXPECT_GE(error, 0.05);
  EXPECT_LE(error, 0.12);
  rig.um_per_step = 2;
  EXPECT_EQ(said(rig), "");
}

}  // namespace
}  // namespace starwaist
