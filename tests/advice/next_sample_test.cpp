// Advice that is followed on made curves.
#include "starwaist/next_sample.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <optional>
#include <random>
#include <vector>

#include "advice/plain_rig.h"
#include "curve/made_run.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

// Follows the advice on a noise-free curve from a start anywhere within 6 B.
TEST(NextSample, BracketsAndEndsFromAnywhere) {
  const ObservingConditions conditions = plain_conditions();
  const made::Curve curve{5030, 2, 0.02};  // B = 100
  for (double start = 5030 - 600; start <= 5030 + 600; start += 75) {
    std::vector<CurvePoint> points;
    NextSampleOptions options;
    options.start_steps = start;
    options.wanted_sigma_steps = 3;
    auto advice = next_sample(points, conditions, plain_rig(), options);
    ASSERT_TRUE(advice);
    EXPECT_EQ(*advice->next_position_steps, start);
    int bracketing = 0;
    while (advice && !advice->enough && advice->next_position_steps && points.size() < 30) {
      bracketing += advice->bracketing ? 1 : 0;
      CurvePoint p;
      p.position_steps = *advice->next_position_steps;
      p.size_px = curve.at(p.position_steps);
      points.push_back(p);
      advice = next_sample(points, conditions, plain_rig(), options);
      ASSERT_TRUE(advice);
    }
    EXPECT_TRUE(advice->enough) << start << " " << advice->reason.text;
    EXPECT_LE(bracketing, 5) << start;
    EXPECT_LE(points.size(), 12U) << start;
    // The curve is a hyperbola, the adviser's that of a blurred star: up to 5 % apart.
    EXPECT_NEAR(*advice->best_focus_steps, 5030, 5) << start;
  }
}

// Without a wanted sigma the run ends once 95 % of normal errors (1.96 sigma) lie within half of
// the zone, 2 lambda N^2 = 27.5 steps, not within the whole.
TEST(NextSample, EndsWithinHalfOfTheZone) {
  ObservingConditions conditions = plain_conditions();
  conditions.measuring_error = 0.1;
  conditions.seeing_scatter = 0.2;
  const made::Curve curve{5030, 2, 0.02};
  for (const double start : {4700.0, 5000.0, 5300.0}) {
    std::vector<CurvePoint> points;
    NextSampleOptions options;
    options.start_steps = start;
    options.most_points = 40;
    auto advice = next_sample(points, conditions, plain_rig(), options);
    std::optional<double> sigma_before;
    while (advice && !advice->enough && advice->next_position_steps && points.size() < 40) {
      sigma_before = advice->sigma_steps;
      CurvePoint p;
      p.position_steps = *advice->next_position_steps;
      p.size_px = curve.at(p.position_steps);
      points.push_back(p);
      advice = next_sample(points, conditions, plain_rig(), options);
    }
    ASSERT_TRUE(advice && advice->enough && sigma_before) << start;
    EXPECT_LE(1.96 * *advice->sigma_steps, 27.5) << start;
    EXPECT_GT(1.96 * *sigma_before, 27.5) << start;  // not one frame more than that needs
    EXPECT_GT(points.size(), static_cast<std::size_t>(VerdictRules::kTrustedPoints)) << start;
  }
}

// Five frames that enclose best focus, one of them alone on its side: the verdict asks for two.
TEST(NextSample, GoesToTheSideThatLacksPoints) {
  const made::Curve curve{5030, 2, 0.02};
  for (const double side : {-1.0, 1.0}) {
    std::vector<CurvePoint> points;
    for (const double u : {-1.8, 0.3, 0.7, 1.2, 1.7}) {
      CurvePoint p;
      p.position_steps = 5030 + side * u * 100;
      p.size_px = curve.at(p.position_steps);
      points.push_back(p);
    }
    const auto advice = next_sample(points, plain_conditions(), plain_rig());
    ASSERT_TRUE(advice && advice->next_position_steps) << side;
    EXPECT_LT(side * (*advice->next_position_steps - 5030), 0) << side;
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
  auto advice = next_sample(points, plain_conditions(), rig, options);
  while (advice && advice->next_position_steps && points.size() < 30) {
    EXPECT_GE(*advice->next_position_steps, 4900);
    EXPECT_LE(*advice->next_position_steps, 5500);
    CurvePoint p;
    p.position_steps = *advice->next_position_steps;
    p.size_px = curve.at(p.position_steps);
    points.push_back(p);
    advice = next_sample(points, plain_conditions(), rig, options);
  }
  ASSERT_TRUE(advice);
  EXPECT_FALSE(advice->enough);
  EXPECT_THAT(advice->reason.text, HasSubstr("limit"));
  CurvePoint bad;
  bad.size_px = -1;
  EXPECT_FALSE(next_sample(std::vector{bad}, plain_conditions(), rig));
}

}  // namespace
}  // namespace starwaist
