// How far the fit trusts its own answer, and what it says against a run.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <random>
#include <string>
#include <vector>

#include "curve/fitted_run.h"
#include "curve/made_run.h"
#include "starwaist/curve.h"

namespace starwaist {
namespace {

using made::all_reasons;
using made::Curve;
using made::noisy_run;
using testing::HasSubstr;

TEST(FitCurve, SaysThatEverySizeIsTheSame) {
  std::vector<CurvePoint> points = made::run(made::Curve{}, 9, 5030, 300);
  for (CurvePoint& point : points) point.size_px = 2;
  const auto fit = fit_curve(points, Rig{});
  ASSERT_TRUE(fit.has_value());
  EXPECT_EQ(fit->verdict, Verdict::unusable);
  EXPECT_FALSE(fit->best_focus_steps.has_value());
  ASSERT_EQ(fit->reasons.size(), 1U);
  EXPECT_NE(fit->reasons[0].text.find("every size is 2"), std::string::npos)
      << fit->reasons[0].text;
}

TEST(FitCurve, SaysThatSizesPeakInsideTheRange) {
  std::vector<CurvePoint> points = made::run(made::Curve{}, 9, 5030, 300);
  for (CurvePoint& point : points) point.size_px = 8 - *point.size_px;
  const auto fit = fit_curve(points, Rig{});
  ASSERT_TRUE(fit.has_value());
  EXPECT_EQ(fit->verdict, Verdict::unusable);
  ASSERT_EQ(fit->reasons.size(), 1U);
  EXPECT_NE(fit->reasons[0].text.find("largest inside the range"), std::string::npos)
      << fit->reasons[0].text;
}

TEST(FitCurve, TrustsAGoodRun) {
  const auto result = fit_curve(noisy_run(), {});
  EXPECT_EQ(result->verdict, Verdict::trusted) << all_reasons(*result);
  EXPECT_TRUE(result->reasons.empty());
  EXPECT_FALSE(result->probability_in_zone);
}

TEST(FitCurve, WidensByAnErrorThatThePointsShare) {
  std::mt19937_64 random(11);
  std::vector<CurvePoint> points = made::run({}, 15, 5030, 300);
  made::add_relative_noise(points, 0.01, random);
  const auto alone = fit_curve(points, {});
  ASSERT_TRUE(alone && alone->best_focus_sigma_steps);
  const double own = *alone->best_focus_sigma_steps;
  for (const double share : {0.3, 1.0, 3.0}) {
    FitOptions options;
    options.shared_sigma_steps = share * own;
    const auto fit = fit_curve(points, {}, options);
    ASSERT_TRUE(fit && fit->best_focus_sigma_steps);
    EXPECT_EQ(fit->models.size(), alone->models.size());
    // A mean over parts that are clamped to the interval hardly moves.
    EXPECT_NEAR(*fit->best_focus_steps, *alone->best_focus_steps, 0.1 * own);
    // Independent errors add in quadrature; Student's t of 12 and more degrees of freedom and the
    // mean over models, whose parts lie apart, leave 10 %.
    EXPECT_NEAR(*fit->best_focus_sigma_steps / (own * std::hypot(1, share)), 1, 0.1) << share;
    ASSERT_TRUE(fit->interval_95_steps.bounded() && alone->interval_95_steps.bounded());
    EXPECT_GT(*fit->interval_95_steps.high - *fit->interval_95_steps.low,
              *alone->interval_95_steps.high - *alone->interval_95_steps.low);
  }
}

TEST(FitCurve, FewerThanFourPointsAreUnusable) {
  for (const int n : {0, 1, 2, 3}) {
    const auto result = fit_curve(made::run(Curve{}, n, 5000, 400), {});
    ASSERT_TRUE(result);
    EXPECT_EQ(result->verdict, Verdict::unusable) << n;
    EXPECT_FALSE(result->best_focus_steps);
    EXPECT_THAT(all_reasons(*result), HasSubstr("only " + std::to_string(n) + " usable point"));
    EXPECT_GE(result->models.size(), 2U);
  }
}

TEST(FitCurve, FourPointsAreNeverTrusted) {
  const auto result = fit_curve(made::run(Curve{}, 4, 5030, 400), {});
  EXPECT_NE(result->verdict, Verdict::trusted);
  EXPECT_FALSE(result->reasons.empty());
}

TEST(FitCurve, OneSidedRunIsNeverTrusted) {
  for (const double centre : {5600.0, 4400.0}) {
    auto points = made::run(Curve{}, 9, centre, 400);
    std::mt19937_64 random(3);
    made::add_relative_noise(points, 0.02, random);
    const auto result = fit_curve(points, {});
    EXPECT_NE(result->verdict, Verdict::trusted);
    EXPECT_THAT(all_reasons(*result), HasSubstr(centre > 5030 ? "smaller" : "larger"));
  }
}

TEST(FitCurve, FlatRunGivesNoTrustedFocus) {
  auto points = made::run(Curve{.slope_px_per_step = 1e-6}, 9, 5000, 400);
  std::mt19937_64 random(5);
  made::add_relative_noise(points, 0.03, random);
  const auto result = fit_curve(points, {});
  EXPECT_EQ(result->verdict, Verdict::unusable) << all_reasons(*result);
}

// Hot pixels and few stars: two thirds of the sizes mean nothing, and the curve has its minimum two
// hundred ranges away, if anywhere.
TEST(FitCurve, AMinimumFarOutsideTheRangeIsNotLocated) {
  const double sizes[] = {0.78, 2.40, 0.74, 3.94, 2.14, 0.96, 0.63};
  const double sigmas[] = {0.071, 0.468, 0.054, 0.569, 0.300, 0.049, 0.038};
  std::vector<CurvePoint> points(7);
  for (std::size_t i = 0; i < points.size(); ++i) {
    points[i].position_steps = 6360 + 9 * static_cast<double>(i);
    points[i].size_px = sizes[i];
    points[i].sigma_px = sigmas[i];
  }
  const auto result = fit_curve(points, {});
  EXPECT_EQ(result->verdict, Verdict::unusable);
  EXPECT_FALSE(result->best_focus_steps);
  EXPECT_FALSE(result->best_focus_sigma_steps);
  EXPECT_THAT(all_reasons(*result), HasSubstr("no minimum located"));
}

TEST(FitCurve, SaysThatTheSlopeCannotBeThisRigs) {
  Rig rig;
  rig.f_number = 5;
  rig.pixel_um = 3.76;
  rig.um_per_step = 0.0201 / arm_slope_px_per_um(5, 0, 3.76);  // the curve has 0.02 px a step
  const auto right = fit_curve(noisy_run(), rig);
  EXPECT_EQ(right->verdict, Verdict::trusted) << all_reasons(*right);
  ASSERT_TRUE(right->probability_in_zone);
  EXPECT_GT(*right->probability_in_zone, 0.5);
  EXPECT_LE(*right->probability_in_zone, 1);
  *rig.um_per_step *= 2;
  const auto wrong = fit_curve(noisy_run(), rig);
  EXPECT_EQ(wrong->verdict, Verdict::doubtful);
  EXPECT_THAT(
      all_reasons(*wrong),
      HasSubstr("the given um per step, the binning (pixel size) or the f-number is wrong"));
}

// Fixed seeds, 1 % of error. With 11 points chi-squared has 8 degrees of freedom: a factor of three
// either way is seen in all but a run of a thousand, and true sigmas are never a factor of three
// off.
TEST(FitCurve, SaysThatTheSigmasAreNotThoseOfTheScatter) {
  const auto notes = [](double sigma_factor, unsigned seed) {
    std::mt19937_64 random(seed);
    const made::Curve curve;
    std::vector<CurvePoint> points = made::run(curve, 11, 5000, 3 * curve.core_steps());
    made::add_relative_noise(points, 0.01, random);
    for (CurvePoint& p : points) p.sigma_px = sigma_factor * 0.01 * *p.size_px;
    const auto fit = fit_curve(points, {});
    std::string all;
    if (fit) {
      for (const auto& note : fit->notes) all += note.text + "\n";
    }
    return all;
  };
  for (unsigned seed = 1; seed <= 20; ++seed) {
    EXPECT_THAT(notes(1, seed), testing::Not(HasSubstr("sigmas given"))) << seed;
    EXPECT_THAT(notes(0.1, seed), HasSubstr("sigmas are too small")) << seed;
    EXPECT_THAT(notes(10, seed), HasSubstr("sigmas are too large")) << seed;
  }
}

}  // namespace
}  // namespace starwaist
