#include "stars/wings.h"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <random>
#include <vector>

namespace starwaist::stars {
namespace {

constexpr double kStep = 0.125;

// Annuli out to `edge` half-flux radii of a star with `left` beyond x, each with the error `sigma`.
std::vector<Annulus> annuli_of(const std::function<double(double)>& left, double edge, double sigma,
                               unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0, sigma);
  std::vector<Annulus> annuli;
  for (double x = 0; x < edge - kStep / 2; x += kStep) {
    annuli.push_back({left(x) - left(x + kStep) + noise(random), sigma, 0, 20});
  }
  return annuli;
}

// Moffat 1969: 1 - (1 + r^2 / a^2)^(1 - beta) inside r, of half-flux radius 1. None of these
// exponents is in the table.
std::function<double(double)> moffat(double beta) {
  const double square = 1 / (std::exp2(1 / (beta - 1)) - 1);
  return [=](double x) { return std::pow(1 + x * x / square, 1 - beta); };
}

TEST(WingOf, FindsTheWingsOfMoffatProfiles) {
  for (const double beta : {2.3, 2.8, 3.7, 5.5, 9.0}) {
    for (const double edge : {2.5, 3.5}) {
      const auto left = moffat(beta);
      const Wing wing = wing_of(annuli_of(left, edge, 3e-4, 1), kStep);
      EXPECT_NEAR(wing.beyond, left(edge), 3 * wing.sigma + 0.002) << beta << ' ' << edge;
      EXPECT_LT(wing.sigma, 0.5 * left(edge) + 0.005) << beta << ' ' << edge;
    }
  }
}

TEST(WingOf, LeavesAGaussianNone) {
  const Wing wing =
      wing_of(annuli_of([](double x) { return std::exp2(-x * x); }, 3.0, 3e-4, 2), kStep);
  EXPECT_NEAR(wing.beyond, 0.002, 0.003);  // 2^-9
}

// Most of a bright sky's star is lost in noise beyond 2 half-flux radii: the error says what is not
// known. 1 / sqrt(60) of the spread is what 60 draws know of it.
TEST(WingOf, ItsErrorIsWhatItIsWrongBy) {
  double square = 0;
  int draws = 0;
  for (const double beta : {2.5, 3.0, 4.2, 6.0}) {
    const auto left = moffat(beta);
    for (unsigned seed = 10; seed < 25; ++seed) {
      const Wing wing = wing_of(annuli_of(left, 2.25, 4e-3, seed), kStep);
      square += std::pow((wing.beyond - left(2.25)) / wing.sigma, 2);
      ++draws;
    }
  }
  EXPECT_LT(std::sqrt(square / draws), 1.3);
  EXPECT_GT(std::sqrt(square / draws), 0.4);
}

}  // namespace
}  // namespace starwaist::stars
