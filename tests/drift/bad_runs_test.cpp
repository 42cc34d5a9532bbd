#include "drift/bad_runs.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <map>
#include <numbers>
#include <random>

namespace starwaist::drift {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

struct Line {
  MatrixXd x;
  VectorXd y;
  VectorXd sigma_squared;
  std::vector<int> groups;
};

// Ten runs about a straight line, errors of 1 and a scatter of 1 on top; run 3 is off by `off`.
Line line_with(double off, unsigned seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  constexpr Index kRuns = 10;
  Line line{MatrixXd::Ones(kRuns, 2), VectorXd(kRuns), VectorXd::Ones(kRuns),
            std::vector<int>(kRuns, 0)};
  for (Index i = 0; i < kRuns; ++i) {
    line.x(i, 1) = static_cast<double>(i) - 4.5;
    line.y[i] = 100 - 2 * line.x(i, 1) + std::numbers::sqrt2 * normal(random) + (i == 3 ? off : 0);
  }
  return line;
}

// Weight of one set of good rows by brute force: closed form of the straight line, tau in fine
// steps over ten decades, the priors that bad_runs.h names.
double brute_weight(const Line& line, const std::vector<bool>& good) {
  const Index n = line.y.size();
  double sum = 0;
  constexpr double kStep = 0.02;
  for (double log_tau = std::log(1e-5); log_tau < std::log(1e5); log_tau += kStep) {
    const double tau = std::exp(log_tau);
    const double v = 1 + tau * tau;
    double s0 = 0;
    double s1 = 0;
    double s2 = 0;
    double sy = 0;
    double sxy = 0;
    for (Index i = 0; i < n; ++i) {
      if (!good[static_cast<std::size_t>(i)]) continue;
      const double x = line.x(i, 1);
      s0 += 1 / v;
      s1 += x / v;
      s2 += x * x / v;
      sy += line.y[i] / v;
      sxy += x * line.y[i] / v;
    }
    const double det = s0 * s2 - s1 * s1;
    const double b = (s0 * sxy - s1 * sy) / det;
    const double a = (sy - b * s1) / s0;
    double log_density = -0.5 * std::log(det) + log_tau - std::log(1 + tau * tau);
    int bad = 0;
    for (Index i = 0; i < n; ++i) {
      const double x = line.x(i, 1);
      const double off = line.y[i] - a - b * x;
      if (good[static_cast<std::size_t>(i)]) {
        log_density -= 0.5 * (std::log(2 * std::numbers::pi * v) + off * off / v);
        continue;
      }
      ++bad;
      const double leverage = (s2 - 2 * x * s1 + x * x * s0) / det;
      double density = 0;
      for (const double spread : {4, 8, 16, 32, 64}) {
        const double wide = spread * spread * v + leverage;
        density += std::exp(-0.5 * off * off / wide) / std::sqrt(2 * std::numbers::pi * wide) / 5;
      }
      log_density += std::log(density);
    }
    // Two coefficients are integrated out.
    log_density += std::log(2 * std::numbers::pi);
    sum += std::exp(log_density + std::lgamma(2.0 + bad) + std::lgamma(18.0 + double(n) - bad));
  }
  return sum;
}

TEST(FindBadRuns, WeighsSetsOfGoodRowsAsBruteForceDoes) {
  for (const unsigned seed : {1U, 2U, 3U}) {
    const Line line = line_with(7, seed);
    const auto found = find_bad_runs(line.x, line.y, line.sigma_squared, line.groups);
    // All sets with up to three bad runs: 176.
    std::map<std::vector<bool>, double> all;
    double sum = 0;
    for (unsigned set = 0; set < 1024; ++set) {
      if (std::popcount(set) > 3) continue;
      std::vector<bool> good(10);
      for (unsigned i = 0; i < 10; ++i) good[i] = (set >> i & 1U) == 0;
      sum += all[good] = brute_weight(line, good);
    }
    ASSERT_GE(found.good_rows.size(), 2U);
    double found_sum = 0;
    for (const auto& likely : found.good_rows) found_sum += all[likely.good];
    // What is not looked at: runs near the line that are bad all the same, a per cent each.
    EXPECT_GT(found_sum, 0.8 * sum);
    for (const auto& likely : found.good_rows) {
      // Tau in coarse steps is good to some per cent of a weight.
      EXPECT_NEAR(likely.weight, all[likely.good] / found_sum, 0.01) << "seed " << seed;
    }
  }
}

TEST(FindBadRuns, NoneWhereNoneIsOffAndOneWhereOneIsFarOff) {
  int with_none = 0;
  for (unsigned seed = 1; seed <= 20; ++seed) {
    const Line good = line_with(0, seed);
    with_none +=
        find_bad_runs(good.x, good.y, good.sigma_squared, good.groups).off_line.empty() ? 1 : 0;
    const Line bad = line_with(40, seed);
    const auto found = find_bad_runs(bad.x, bad.y, bad.sigma_squared, bad.groups);
    EXPECT_THAT(found.off_line, testing::Contains(testing::Field(&OffLine::row, 3U)));
    EXPECT_LE(found.off_line.size(), 2U);
    EXPECT_FALSE(found.good_rows.front().good[3]);
  }
  EXPECT_GE(with_none, 19);
}

TEST(FindBadRuns, TooFewRunsAreNotJudged) {
  const Line line = line_with(40, 1);
  const auto found =
      find_bad_runs(line.x.topRows(4), line.y.head(4), line.sigma_squared.head(4), {0, 0, 0, 0});
  ASSERT_EQ(found.good_rows.size(), 1U);
  EXPECT_THAT(found.good_rows.front().good, testing::Each(true));
  EXPECT_TRUE(found.off_line.empty());
}

}  // namespace
}  // namespace starwaist::drift
