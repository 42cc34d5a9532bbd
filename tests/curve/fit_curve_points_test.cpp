// The points of a run: bad ones are rejected and no others, unused ones are carried through.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstddef>
#include <random>
#include <utility>
#include <vector>

#include "curve/fitted_run.h"
#include "curve/made_run.h"
#include "starwaist/curve.h"

namespace starwaist {
namespace {

using made::Curve;
using made::even_hyperbola_best_focus;
using made::noisy_run;
using testing::HasSubstr;

// A run by wave optics whose only bad point ends the short arm, 20 sigma too large: with the noise
// estimated beforehand it made its good neighbour look bad, and best focus lay 19 steps off.
TEST(FitCurve, BlamesTheBadEndOfAShortArmAndNotItsNeighbour) {
  const std::vector<std::pair<double, double>> run{
      {-463.1, 8.708}, {-384.9, 7.181}, {-306.6, 5.858}, {-228.4, 4.507}, {-150.2, 3.333},
      {-72.0, 2.429},  {6.2, 2.281},    {84.4, 2.544},   {162.6, 4.441}};
  std::vector<CurvePoint> points;
  for (const auto& [position, size] : run) {
    CurvePoint p;
    p.file = "row";
    p.position_steps = position;
    p.size_px = size;
    p.sigma_px = 0.01 * size;
    points.push_back(p);
  }
  const auto result = fit_curve(points, Rig{});
  ASSERT_TRUE(result && result->best_focus_steps);
  EXPECT_FALSE(result->points.back().used);
  EXPECT_TRUE(result->points[7].used);
  EXPECT_NEAR(*result->best_focus_steps, 0, 5);  // about two sigmas of the good points
  EXPECT_TRUE(result->interval_95_steps.contains(0));
}

TEST(FitCurve, RejectsOneBadPointWithItsReason) {
  auto points = noisy_run();
  *points[6].size_px *= 1.5;
  const auto result = fit_curve(points, {});
  EXPECT_FALSE(result->points[6].used);
  ASSERT_TRUE(result->points[6].reason);
  EXPECT_THAT(result->points[6].reason->text, HasSubstr("above the curve"));
  EXPECT_NEAR(*result->best_focus_steps, 5030, 15);
  for (const std::size_t i : {0U, 1U, 2U, 3U, 4U, 5U, 7U, 8U}) EXPECT_TRUE(result->points[i].used);
}

// Whichever three of thirteen are too large, by half to twice: those and no others are rejected,
// and best focus is that of the good points to three of their sigmas.
TEST(FitCurve, RejectsThreeBadPointsOfThirteen) {
  const Curve truth;
  const std::vector<std::vector<std::size_t>> triples{{1, 6, 10}, {0, 5, 7}, {3, 4, 9}, {2, 8, 12}};
  for (std::size_t k = 0; k < triples.size(); ++k) {
    std::mt19937_64 random(100 + k);
    auto points = made::run(truth, 13, 5000, 300);
    for (CurvePoint& p : points) p.sigma_px = 0.01 * *p.size_px;
    made::add_relative_noise(points, 0.01, random);
    std::vector<CurvePoint> good;
    for (std::size_t i = 0; i < points.size(); ++i) {
      const auto& bad = triples[k];
      if (std::find(bad.begin(), bad.end(), i) == bad.end()) good.push_back(points[i]);
    }
    double excess = 0.5;
    for (const std::size_t i : triples[k]) {
      *points[i].size_px *= 1 + excess;
      excess += 0.25;
    }
    const auto result = fit_curve(points, Rig{}, {.model = {}, .size = SizeMeasure::fwhm});
    ASSERT_TRUE(result && result->best_focus_steps) << k;
    for (std::size_t i = 0; i < points.size(); ++i) {
      const auto& bad = triples[k];
      EXPECT_EQ(result->points[i].used, std::find(bad.begin(), bad.end(), i) == bad.end())
          << "triple " << k << ", point " << i;
    }
    const double sigma = 0.01 * truth.core_steps();  // of ten points at 1 %, about (Fisher)
    EXPECT_NEAR(*result->best_focus_steps, even_hyperbola_best_focus(good, truth), 3 * sigma) << k;
    EXPECT_TRUE(result->interval_95_steps.contains(truth.best_focus_steps)) << k;
  }
}

TEST(FitCurve, CarriesUnusedPointsThrough) {
  auto points = noisy_run();
  const auto plain = fit_curve(points, {});
  CurvePoint cloudy = points[0];
  cloudy.used = false;
  cloudy.size_px = 40;
  cloudy.reason = {"lost_light", "lost half of its light"};
  CurvePoint empty = points[1];
  empty.size_px.reset();
  points.push_back(cloudy);
  points.push_back(empty);
  const auto result = fit_curve(points, {});
  EXPECT_EQ(*result->best_focus_steps, *plain->best_focus_steps);
  EXPECT_EQ(result->points[9].reason->text, "lost half of its light");
  EXPECT_FALSE(result->points[10].used);
  EXPECT_TRUE(result->points[10].reason);
}

}  // namespace
}  // namespace starwaist
