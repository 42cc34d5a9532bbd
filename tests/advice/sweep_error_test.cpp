// The error of a sweep's best focus against sweeps drawn and fitted here.
#include "advice/sweep_error.h"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <cmath>
#include <random>
#include <vector>

namespace starwaist {
namespace {

using advice::SweepNoise;
using advice::TimedFrame;

constexpr double kCadence_s = 8;

std::vector<TimedFrame> even_sweep(int points, double half_range, double offset) {
  std::vector<TimedFrame> frames;
  for (int i = 0; i < points; ++i) {
    frames.push_back({offset + half_range * (2.0 * i / (points - 1) - 1), kCadence_s * i});
  }
  return frames;
}

// ln seeing at each frame by a walk in fine steps that is drawn back to its mean.
std::vector<double> walked(std::size_t frames, double jitter, double memory_s,
                           std::mt19937_64& random) {
  constexpr double kStep_s = 0.05;
  std::normal_distribution<double> normal;
  std::vector<double> seeing;
  double at = jitter * normal(random);
  for (std::size_t i = 0; i < frames; ++i) {
    seeing.push_back(at);
    for (double t = 0; t < kCadence_s - 0.5 * kStep_s; t += kStep_s) {
      at += jitter * std::sqrt(2 * kStep_s / memory_s) * normal(random) - at * kStep_s / memory_s;
    }
  }
  return seeing;
}

// Root mean square of best focus (B) by weighted least squares on a hyperbola's own derivatives.
double scatter_of_fits(const std::vector<TimedFrame>& frames, const SweepNoise& noise,
                       std::mt19937_64& random) {
  constexpr int kSweeps = 4000;
  std::normal_distribution<double> normal;
  const auto n = static_cast<Eigen::Index>(frames.size());
  Eigen::MatrixXd rows(n, 3);
  Eigen::VectorXd share(n);
  Eigen::VectorXd weight(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const double u = frames[static_cast<std::size_t>(i)].u;
    share[i] = 1 / (1 + u * u);
    rows.row(i) << -u * share[i], share[i], u * u * share[i];
    weight[i] =
        1 / (std::pow(noise.frame.measuring, 2) + std::pow(noise.frame.seeing * share[i], 2));
  }
  const Eigen::Matrix3d information = rows.transpose() * weight.asDiagonal() * rows;
  const Eigen::MatrixXd fit = information.inverse() * rows.transpose() * weight.asDiagonal();
  double squares = 0;
  for (int sweep = 0; sweep < kSweeps; ++sweep) {
    const auto seeing = walked(frames.size(), noise.frame.seeing, noise.memory_s, random);
    Eigen::VectorXd sizes(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      sizes[i] =
          share[i] * seeing[static_cast<std::size_t>(i)] + noise.frame.measuring * normal(random);
    }
    squares += std::pow(fit.row(0).dot(sizes), 2) / kSweeps;
  }
  return std::sqrt(squares);
}

// 4000 sweeps give their scatter to 1.1 %; the usual lopsidedness, which is not drawn here, adds a
// little to what is stated.
TEST(SweepVariance, IsThatOfSweepsWithSeeingThatStays) {
  std::mt19937_64 random(11);
  for (const double memory_s : {2.0, 16.0, 60.0, 400.0}) {
    for (const double offset : {0.0, 0.7}) {
      const SweepNoise noise{{.measuring = 0.03, .seeing = 0.15, .frames = 1}, memory_s};
      const auto frames = even_sweep(9, 2.5, offset);
      const auto stated = advice::sweep_variance(curve::Shape::hyperbola(), frames, noise);
      ASSERT_TRUE(stated);
      const double drawn = advice::fit_cost(9) * scatter_of_fits(frames, noise, random);
      EXPECT_NEAR(std::sqrt(*stated) / drawn, 1.02, 0.05) << memory_s << " " << offset;
    }
  }
}

// In a sweep a seeing that changes over its half looks like a shift of focus; one that jumps from
// frame to frame does less, one that stays the same over the sweep hardly any.
TEST(SweepVariance, IsLargestWhereTheSeeingChangesWithTheSweep) {
  const auto frames = even_sweep(15, 2.5, 0);
  const auto with = [&frames](double memory_s) {
    return *advice::sweep_variance(curve::Shape::hyperbola(), frames,
                                   {{.measuring = 0.005, .seeing = 0.06, .frames = 1}, memory_s});
  };
  const double jumps = with(0);
  EXPECT_GT(with(30) / jumps, 1.3);
  EXPECT_LT(with(1e6), jumps);
}

TEST(SweepVariances, LosingAFrameCosts) {
  const auto frames = even_sweep(7, 2.5, 0.2);
  const SweepNoise noise{{.measuring = 0.01, .seeing = 0.03, .frames = 1}, 20};
  const auto variances = advice::sweep_variances(curve::Shape::hyperbola(), frames, noise);
  ASSERT_TRUE(variances);
  double mean = 0;
  for (std::size_t lost = 0; lost < frames.size(); ++lost) {
    auto rest = frames;
    rest.erase(rest.begin() + static_cast<std::ptrdiff_t>(lost));
    mean += *advice::sweep_variance(curve::Shape::hyperbola(), rest, noise) / 7;
  }
  EXPECT_NEAR(variances->one_lost, mean, 1e-12);
  EXPECT_GT(variances->one_lost, variances->whole);
  EXPECT_FALSE(advice::sweep_variances(curve::Shape::hyperbola(), even_sweep(3, 2, 0.1), noise));
}

}  // namespace
}  // namespace starwaist
