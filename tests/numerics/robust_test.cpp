#include "numerics/robust.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <random>
#include <vector>

#include "starwaist/statistics.h"

namespace starwaist::numerics {
namespace {

TEST(RobustConstants, FollowFromTheNormalDistribution) {
  // Seven, five and five digits are written.
  EXPECT_NEAR(kSigmaOfMad, 1 / normal_quantile(0.75), 5e-8);
  EXPECT_NEAR(kSigmaOfMadRounded, 1 / normal_quantile(0.75), 5e-5);
  EXPECT_NEAR(kMedianErrorOverMean, std::sqrt(std::acos(-1.0) / 2), 5e-5);
  EXPECT_NEAR(kOneSigmaBelow, normal_cdf(-1), 5e-7);
}

TEST(SigmaOfDistances, IsTheGaussianSigmaOfTheirMedian) {
  EXPECT_DOUBLE_EQ(sigma_of_distances(std::array{1.0, 2.0, 30.0}), 2 * kSigmaOfMad);
}

TEST(VarianceBeyond, IsWhatTheOwnErrorsLeaveAndNeverNegative) {
  EXPECT_DOUBLE_EQ(variance_beyond(5, std::array{9.0, 9.0, 900.0}), 16);
  EXPECT_DOUBLE_EQ(variance_beyond(5, std::array{9.0, 9.0, 900.0}, 2), 7);
  EXPECT_EQ(variance_beyond(2, std::array{9.0}), 0);
}

TEST(HuberWeight, IsOneInsideAndHoldsTheInfluenceOutside) {
  EXPECT_EQ(huber_weight(0), 1);
  EXPECT_EQ(huber_weight(-kHuber), 1);
  EXPECT_DOUBLE_EQ(huber_weight(10) * 10, kHuber);
  EXPECT_DOUBLE_EQ(huber_weight(-10), huber_weight(10));
  EXPECT_DOUBLE_EQ(huber_weight(10, 1.7) * 10, 1.7);
}

TEST(BisquareWeight, FallsFromOneToZeroAtTheRim) {
  EXPECT_EQ(bisquare_weight(0), 1);
  EXPECT_DOUBLE_EQ(bisquare_weight(0.25), 0.5625);  // (1 - 1/4)^2
  EXPECT_EQ(bisquare_weight(1), 0);
  EXPECT_EQ(bisquare_weight(9), 0);
}

TEST(RobustSums, GiveTheMeanAndTheErrorOfEqualWeights) {
  RobustSums sums;
  EXPECT_TRUE(sums.empty());
  // About their mean 3: squares 4, 1, 0, 1, 4. Weights of 1e6 promise far less than they scatter.
  for (const double v : {1.0, 2.0, 3.0, 4.0, 5.0}) sums.add(1e6, v, v - 3);
  EXPECT_EQ(sums.count(), 5U);
  EXPECT_DOUBLE_EQ(sums.mean(), 3);
  EXPECT_NEAR(sums.sigma(), std::sqrt(10.0 / 4 / 5), 1e-12);  // s / sqrt(n)
}

TEST(RobustSums, PromiseNoLessThanTheWeights) {
  RobustSums sums;
  for (int i = 0; i < 4; ++i) sums.add(0.25, 7, 0);
  EXPECT_DOUBLE_EQ(sums.sigma(), 1);
}

TEST(RobustMean, OfNoneOneAndEqualValues) {
  EXPECT_FALSE(robust_mean({}, {}));
  const auto one = robust_mean(std::array{4.0}, std::array{0.5});
  ASSERT_TRUE(one);
  EXPECT_EQ(one->value, 4);
  EXPECT_EQ(one->sigma, 0.5);
  EXPECT_EQ(one->count, 1U);
  const auto equal = robust_mean(std::array{4.0, 4.0, 4.0, 4.0}, std::array{0.5, 0.5, 0.5, 0.5});
  ASSERT_TRUE(equal);
  EXPECT_DOUBLE_EQ(equal->value, 4);
  EXPECT_DOUBLE_EQ(equal->sigma, 0.25);
}

TEST(RobustMean, LeavesOutWhatIsFarAndKeepsItsSigma) {
  std::mt19937_64 random(11);
  std::normal_distribution<double> normal(5, 1);
  std::vector<double> values(400);
  const std::vector<double> sigmas(400, 1.0);
  for (double& v : values) v = normal(random);
  for (std::size_t i = 0; i < 20; ++i) values[i] = 50;
  const auto mean = robust_mean(values, sigmas);
  ASSERT_TRUE(mean);
  EXPECT_GE(mean->count, 375U);
  EXPECT_LE(mean->count, 380U);
  EXPECT_NEAR(mean->value, 5, 4 / std::sqrt(380.0));
  // 95 % efficient; the spread of 380 is good to 4 %.
  EXPECT_NEAR(mean->sigma, 1 / std::sqrt(0.95 * 380), 0.2 / std::sqrt(380.0));
}

TEST(RobustMean, StatesTheScatterOfManyMeans) {
  // Sigmas that promise half of the real scatter: the rest shows between the values.
  std::mt19937_64 random(12);
  std::normal_distribution<double> normal(0, 1);
  const std::vector<double> sigmas(25, 0.5);
  double squares = 0;
  double stated = 0;
  constexpr int kTrials = 2000;
  for (int trial = 0; trial < kTrials; ++trial) {
    std::vector<double> values(25);
    for (double& v : values) v = normal(random);
    const auto mean = robust_mean(values, sigmas);
    ASSERT_TRUE(mean);
    squares += mean->value * mean->value;
    stated += mean->sigma * mean->sigma;
  }
  // A variance from 2000 is good to 3.2 %; the sandwich's bias at 25 is a few per cent.
  EXPECT_NEAR(stated / squares, 1, 0.12);
}

TEST(RobustMean, FollowsShiftAndScale) {
  const std::array values{1.0, 1.3, 0.8, 1.1, 9.0, 0.9};
  const std::array sigmas{0.1, 0.2, 0.1, 0.3, 0.1, 0.2};
  std::array<double, 6> moved{};
  std::array<double, 6> wider{};
  for (std::size_t i = 0; i < 6; ++i) {
    moved[i] = 100 + 7 * values[i];
    wider[i] = 7 * sigmas[i];
  }
  const auto plain = robust_mean(values, sigmas);
  const auto other = robust_mean(moved, wider);
  ASSERT_TRUE(plain && other);
  EXPECT_EQ(plain->count, 5U);  // without the one at 9
  EXPECT_EQ(other->count, 5U);
  EXPECT_NEAR(other->value, 100 + 7 * plain->value, 1e-6);
  EXPECT_NEAR(other->sigma, 7 * plain->sigma, 1e-6);
}

}  // namespace
}  // namespace starwaist::numerics
