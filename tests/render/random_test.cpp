// The module's own random numbers against their distributions.
#include "render/random.h"

#include <gtest/gtest.h>

#include <cmath>
#include <map>
#include <set>

#include "starwaist/statistics.h"

namespace starwaist::render {
namespace {

TEST(Random, PoissonCountsPassAChiSquaredTestAgainstTheirProbabilities) {
  // Both methods and their border at mean 10.
  for (const double mean : {0.3, 3.0, 9.9, 10.1, 47.0, 300.0}) {
    Random random(7, 1, static_cast<std::uint64_t>(mean * 10));
    constexpr int kDraws = 200000;
    std::map<int, int> counts;
    for (int i = 0; i < kDraws; ++i) ++counts[static_cast<int>(random.poisson(mean))];
    double chi_squared = 0;
    int cells = 0;
    double left_expected = kDraws;
    int left_seen = kDraws;
    for (int k = 0; k < static_cast<int>(mean + 20 * std::sqrt(mean) + 20); ++k) {
      const double expected = kDraws * std::exp(k * std::log(mean) - mean - std::lgamma(k + 1.0));
      if (expected < 20) continue;  // rare values share one cell
      chi_squared += std::pow(counts[k] - expected, 2) / expected;
      left_expected -= expected;
      left_seen -= counts[k];
      ++cells;
    }
    if (left_expected > 5) {
      chi_squared += std::pow(left_seen - left_expected, 2) / left_expected;
      ++cells;
    }
    // Six fixed seeds: 1e-3 each is a false alarm in 200 seeds' choices, none here.
    EXPECT_GT(chi_squared_upper_tail(chi_squared, cells - 1), 1e-3) << mean;
  }
  Random random(1, 1, 1);
  EXPECT_EQ(random.poisson(0), 0);
}

TEST(Random, LargePoissonMeansKeepMeanAndVariance) {
  Random random(3, 2, 1);
  constexpr int kDraws = 100000;
  const double mean = 4e6;
  double sum = 0;
  double squares = 0;
  for (int i = 0; i < kDraws; ++i) {
    const double d = random.poisson(mean) - mean;
    sum += d;
    squares += d * d;
  }
  EXPECT_NEAR(sum / kDraws, 0, 4 * std::sqrt(mean / kDraws));
  EXPECT_NEAR(squares / kDraws / mean, 1, 4 * std::sqrt(2.0 / kDraws));
}

TEST(Random, NormalHasUnitMomentsAndTails) {
  Random random(11, 1, 0);
  constexpr int kDraws = 400000;
  double sum = 0;
  double squares = 0;
  int beyond_two = 0;
  for (int i = 0; i < kDraws; ++i) {
    const double v = random.normal();
    sum += v;
    squares += v * v;
    beyond_two += std::abs(v) > 2 ? 1 : 0;
  }
  // Four standard errors each.
  EXPECT_NEAR(sum / kDraws, 0, 4 / std::sqrt(kDraws));
  EXPECT_NEAR(squares / kDraws, 1, 4 * std::sqrt(2.0 / kDraws));
  const double tail = 2 * (1 - normal_cdf(2));
  EXPECT_NEAR(beyond_two, kDraws * tail, 4 * std::sqrt(kDraws * tail));
}

TEST(Random, StreamsDifferByPurposeAndIndexAndRepeatBySeed) {
  std::set<std::uint64_t> firsts;
  for (std::uint64_t purpose = 1; purpose <= 4; ++purpose) {
    for (std::uint64_t index = 0; index < 50; ++index) {
      firsts.insert(Random(5, purpose, index).bits());
    }
  }
  EXPECT_EQ(firsts.size(), 200U);
  EXPECT_EQ(Random(5, 2, 9).bits(), Random(5, 2, 9).bits());
}

}  // namespace
}  // namespace starwaist::render
