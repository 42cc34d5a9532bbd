#include "starwaist/statistics.h"

#include <gtest/gtest.h>

#include <array>
#include <random>

namespace starwaist {
namespace {

TEST(Median, OddEvenAndOrder) {
  EXPECT_EQ(median(std::array{3.0, 1.0, 2.0}), 2.0);
  EXPECT_EQ(median(std::array{4.0, 1.0, 2.0, 3.0}), 2.5);
}

TEST(SampleQuantile, IsLinearBetweenOrderStatistics) {
  const std::array values{10.0, 20.0, 30.0, 40.0};
  EXPECT_DOUBLE_EQ(sample_quantile(values, 0.5), 25.0);
  EXPECT_DOUBLE_EQ(sample_quantile(values, 0.0), 10.0);
  EXPECT_DOUBLE_EQ(sample_quantile(values, 1.0), 40.0);
}

TEST(WeightedMedian, EqualsMedianForEqualWeightsAndFollowsTheHeavy) {
  EXPECT_EQ(weighted_median(std::array{4.0, 1.0, 2.0, 3.0}, std::array{1.0, 1.0, 1.0, 1.0}), 2.5);
  EXPECT_EQ(weighted_median(std::array{1.0, 2.0, 9.0}, std::array{1.0, 1.0, 5.0}), 9.0);
}

TEST(RobustSigma, GivesTheGaussianSigmaInSpiteOfOutliers) {
  std::mt19937_64 random(7);
  std::normal_distribution<double> normal(5.0, 2.0);
  std::vector<double> values(20000);
  for (double& v : values) v = normal(random);
  // sd of 1.4826 MAD is 1.166 sigma / sqrt(n) (efficiency 37 %, Huber 1981, from memory).
  EXPECT_NEAR(robust_sigma(values), 2.0, 5 * 1.166 * 2.0 / std::sqrt(20000.0));
  for (int i = 0; i < 2000; ++i) values[static_cast<std::size_t>(i)] = 1e6;
  EXPECT_LT(robust_sigma(values), 2.5);
}

// Student's t at 0.975 for 1 to 6 degrees of freedom: tables in any handbook of statistics.
TEST(StudentTQuantile, MatchesTheTables) {
  const std::array table{12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469};
  for (std::size_t i = 0; i < table.size(); ++i) {
    EXPECT_NEAR(student_t_quantile(0.975, static_cast<double>(i + 1)), table[i], 5e-5);
    EXPECT_NEAR(student_t_cdf(table[i], static_cast<double>(i + 1)), 0.975, 1e-5);
    // F(1, v) at 0.95 is t^2.
    EXPECT_NEAR(f_quantile(0.95, 1, static_cast<double>(i + 1)), table[i] * table[i], 2e-3);
  }
}

TEST(Distributions, TailsMatchHandbookValues) {
  EXPECT_NEAR(normal_quantile(0.975), 1.959964, 1e-6);
  EXPECT_NEAR(normal_cdf(1.0), 0.8413447, 1e-7);
  // Chi-squared 0.95 quantile for 3 degrees of freedom: 7.815 (handbook table).
  EXPECT_NEAR(chi_squared_upper_tail(7.815, 3), 0.05, 1e-4);
  EXPECT_NEAR(f_upper_tail(161.448, 1, 1), 0.05, 1e-6);
}

}  // namespace
}  // namespace starwaist
