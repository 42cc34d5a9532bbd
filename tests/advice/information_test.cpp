// The information bound against numbers worked out apart from the library.
#include "advice/information.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

namespace starwaist {
namespace {

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

// Hyperbola and seeing alone: a point's error is j / (1 + u^2) and its change with best focus
// u / (1 + u^2), so that points even about focus give j / sqrt(sum u^2). By hand.
TEST(Information, SeeingFadesInTheRings) {
  constexpr double kScatter = 0.03;
  advice::Information information;
  double squares = 0;
  for (const double u : {-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0}) {
    // A measuring error far below the seeing's.
    information.add(curve::Shape::hyperbola(), u,
                    {.measuring = 1e-9, .seeing = kScatter, .frames = 1});
    squares += u * u;
  }
  EXPECT_NEAR(*information.sigma(), kScatter / std::sqrt(squares), 1e-6);
}

// Hyperbola: u at which the size has doubled is sqrt(3).
TEST(DistanceOfRatio, IsTheInverseOfTheCurve) {
  EXPECT_NEAR(advice::distance_of_ratio(curve::Shape::hyperbola(), 2), std::sqrt(3.0), 1e-9);
  EXPECT_NEAR(advice::distance_of_ratio(curve::Shape::hyperbola(), 1), 0, 1e-6);
}

}  // namespace
}  // namespace starwaist
