#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>

#include "numerics/grid.h"
#include "numerics/log_sum.h"
#include "numerics/root.h"

namespace starwaist::numerics {
namespace {

constexpr double kNothing = -std::numeric_limits<double>::infinity();

TEST(Bisect, FindsASquareRootToTheStatedError) {
  const auto below = [](double x) { return x * x < 2; };
  for (const int halvings : {1, 10, 40}) {
    const double root = bisect({.low = 0, .high = 4}, halvings, below);
    EXPECT_LE(std::abs(root - std::sqrt(2.0)), 4 / std::pow(2, halvings + 1)) << halvings;
  }
}

TEST(Bisect, EndsAtTheEndBeyondWhichTheTurnLies) {
  EXPECT_NEAR(bisect({.low = 1, .high = 2}, 50, [](double) { return true; }), 2, 1e-12);
  EXPECT_NEAR(bisect({.low = 1, .high = 2}, 50, [](double) { return false; }), 1, 1e-12);
}

TEST(LogSum, IsTheLogarithmOfTheSumWhereExponentialsUnderflow) {
  EXPECT_DOUBLE_EQ(log_sum(std::log(3.0), std::log(4.0)), std::log(7.0));
  EXPECT_DOUBLE_EQ(log_sum(-2000, -2000), -2000 + std::log(2.0));
  EXPECT_DOUBLE_EQ(log_sum(std::array{1000.0, 1000.0, 1000.0}), 1000 + std::log(3.0));
}

TEST(LogSum, OfNothingIsNothing) {
  EXPECT_EQ(log_sum(kNothing, kNothing), kNothing);
  EXPECT_EQ(log_sum(kNothing, -5), -5);
}

TEST(LogOdds, AndBack) {
  EXPECT_DOUBLE_EQ(log_odds_of(0.5), 0);
  EXPECT_NEAR(log_odds_of(0.9), std::log(9.0), 1e-12);
  for (const double p : {1e-6, 0.2, 0.99}) EXPECT_NEAR(probability_of(log_odds_of(p)), p, 1e-12);
}

TEST(PlaceOfMass, LiesInsideTheCellByEvenDensity) {
  const std::array masses{1.0, 0.0, 2.0, 1.0};
  const auto quarter = place_of_mass(masses, 1);
  ASSERT_TRUE(quarter);
  EXPECT_EQ(quarter->cell, 0U);
  EXPECT_DOUBLE_EQ(quarter->part, 1);
  const auto half = place_of_mass(masses, 2);
  ASSERT_TRUE(half);
  EXPECT_EQ(half->cell, 2U);
  EXPECT_DOUBLE_EQ(half->part, 0.5);
}

TEST(PlaceOfMass, IsAbsentBeyondTheWholeMass) {
  EXPECT_FALSE(place_of_mass(std::array{1.0, 2.0}, 3.5));
  EXPECT_FALSE(place_of_mass({}, 0.5));
}

}  // namespace
}  // namespace starwaist::numerics
