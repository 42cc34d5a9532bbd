// What a change of the input must not change in the answer, and hostile input.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <utility>
#include <vector>

#include "curve/fitted_run.h"
#include "starwaist/curve.h"

namespace starwaist {
namespace {

using made::all_reasons;
using made::noisy_run;
using testing::HasSubstr;

void expect_same(const FitResult& a, const FitResult& b, double shift, double scale) {
  const double tolerance = 1e-5 * scale * 400;  // the ends of intervals are found to 1e-4 of them
  EXPECT_NEAR(*b.best_focus_steps, *a.best_focus_steps * scale + shift, tolerance);
  EXPECT_NEAR(*b.best_focus_sigma_steps, *a.best_focus_sigma_steps * scale, tolerance);
  EXPECT_NEAR(*b.interval_95_steps.low, *a.interval_95_steps.low * scale + shift, tolerance);
  EXPECT_NEAR(*b.interval_95_steps.high, *a.interval_95_steps.high * scale + shift, tolerance);
  EXPECT_EQ(a.verdict, b.verdict);
}

TEST(FitCurve, FollowsShiftAndScaleOfPositionsAndSizes) {
  const auto points = noisy_run();
  const auto plain = fit_curve(points, {});
  ASSERT_TRUE(plain && plain->best_focus_steps);
  for (const double scale : {1e-3, 1.0, 1e4}) {
    for (const double shift : {0.0, -7000.0, 1e6}) {
      auto moved = points;
      for (CurvePoint& p : moved) {
        p.position_steps = p.position_steps * scale + shift;
        *p.size_px *= 3.7;
      }
      const auto result = fit_curve(moved, {});
      ASSERT_TRUE(result && result->best_focus_steps);
      expect_same(*plain, *result, shift, scale);
    }
  }
}

TEST(FitCurve, DoesNotDependOnTheOrderOfThePoints) {
  auto points = noisy_run();
  const auto plain = fit_curve(points, {});
  EXPECT_EQ(plain->approach, Direction::outward);
  std::reverse(points.begin(), points.end());
  const auto reversed = fit_curve(points, {});
  expect_same(*plain, *reversed, 0, 1);
  EXPECT_EQ(reversed->approach, Direction::inward);
  std::swap(points[2], points[6]);
  const auto mixed = fit_curve(points, {});
  expect_same(*plain, *mixed, 0, 1);
  EXPECT_FALSE(mixed->approach);
}

TEST(FitCurve, MirroredPositionsGiveTheMirroredAnswer) {
  auto points = noisy_run();
  const auto plain = fit_curve(points, {});
  for (CurvePoint& p : points) p.position_steps = -p.position_steps;
  const auto mirrored = fit_curve(points, {});
  EXPECT_NEAR(*mirrored->best_focus_steps, -*plain->best_focus_steps, 1e-2);
  EXPECT_NEAR(*mirrored->interval_95_steps.low, -*plain->interval_95_steps.high, 1e-2);
}

TEST(FitCurve, RefusesWhatIsNotANumber) {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  const double infinity = std::numeric_limits<double>::infinity();
  for (const double bad : {nan, infinity, 0.0, -1.0}) {
    auto points = noisy_run();
    points[3].size_px = bad;
    const auto result = fit_curve(points, {});
    ASSERT_FALSE(result);
    EXPECT_EQ(result.error().code, ErrorCode::invalid_argument);
    EXPECT_THAT(result.error().message, HasSubstr("row 4"));
  }
  auto points = noisy_run();
  points[2].position_steps = nan;
  ASSERT_FALSE(fit_curve(points, {}));
}

void expect_finite(const FitResult& result) {
  for (const auto& value : {result.best_focus_steps, result.best_focus_sigma_steps,
                            result.interval_68_steps.low, result.interval_68_steps.high,
                            result.interval_95_steps.low, result.interval_95_steps.high}) {
    EXPECT_TRUE(!value || std::isfinite(*value));
  }
  for (const ModelFit& fit : result.models) {
    for (const auto& value :
         {fit.best_focus_steps, fit.best_focus_sigma_steps, fit.min_size_px, fit.slope_px_per_step,
          fit.r_squared, fit.reduced_chi_squared, fit.aicc, fit.weight, fit.interval_95_steps.low,
          fit.interval_95_steps.high}) {
      EXPECT_TRUE(!value || std::isfinite(*value)) << enum_name(fit.model);
    }
    for (const auto& [name, value] : named_values(fit.parameters)) {
      EXPECT_TRUE(std::isfinite(value)) << name;
    }
  }
}

TEST(FitCurve, AnswersHostileShapesWithoutTrust) {
  std::vector<std::vector<double>> sizes = {{2, 2, 2, 2, 2, 2, 2},
                                            {1, 2, 3, 4, 5, 6, 7},
                                            {7, 6, 5, 4, 3, 2, 1},
                                            {1, 2, 3, 4, 3, 2, 1},
                                            {2, 2, 2, 9, 2, 2, 2},
                                            {5, 1, 5, 1, 5, 1, 5},
                                            {1e-9, 1, 1e-9, 1, 1e-9, 1, 1e-9}};
  for (const auto& list : sizes) {
    for (const double unit : {1e-12, 1.0, 1e12}) {
      std::vector<CurvePoint> points(list.size());
      for (std::size_t i = 0; i < list.size(); ++i) {
        points[i].position_steps = 1e3 * static_cast<double>(i) * unit;
        points[i].size_px = list[i] * unit;
      }
      const auto result = fit_curve(points, {});
      ASSERT_TRUE(result);
      EXPECT_NE(result->verdict, Verdict::trusted) << list[0] << " " << list[1] << " " << list[3];
      EXPECT_FALSE(result->reasons.empty());
      expect_finite(*result);
    }
  }
}

TEST(FitCurve, EqualPositionsAreUnusable) {
  std::vector<CurvePoint> points(8);
  for (std::size_t i = 0; i < points.size(); ++i) {
    points[i].position_steps = 100;
    points[i].size_px = 2 + 0.1 * static_cast<double>(i % 3);
  }
  const auto result = fit_curve(points, {});
  ASSERT_TRUE(result);
  EXPECT_EQ(result->verdict, Verdict::unusable);
  EXPECT_THAT(all_reasons(*result), HasSubstr("1 focuser position"));
  expect_finite(*result);
}

TEST(FitCurve, AVShapedRunWithoutCoreIsAnswered) {
  std::vector<CurvePoint> points(9);
  for (int i = 0; i < 9; ++i) {
    points[static_cast<std::size_t>(i)].position_steps = 100 * i;
    points[static_cast<std::size_t>(i)].size_px = 0.01 + 0.02 * std::abs(100.0 * i - 430);
  }
  const auto result = fit_curve(points, {});
  ASSERT_TRUE(result && result->best_focus_steps);
  EXPECT_NEAR(*result->best_focus_steps, 430, 20);
  expect_finite(*result);
}

}  // namespace
}  // namespace starwaist
