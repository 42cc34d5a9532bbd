// The noise of runs against runs drawn with a known one.
#include "advice/run_noise.h"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <cmath>
#include <random>
#include <vector>

#include "advice/observed_noise.h"

namespace starwaist {
namespace {

using advice::RunResidual;

struct Truth {
  double measuring = 0.01;
  double seeing = 0.05;
  double memory_s = 30;
};

// Residuals about a hyperbola that took up what it could: least squares on its derivatives.
std::vector<RunResidual> fitted_run(const Truth& truth, int points, bool own_sigmas,
                                    std::mt19937_64& random) {
  constexpr double kCadence_s = 8;
  std::normal_distribution<double> normal;
  const double kept = std::exp(-kCadence_s / truth.memory_s);
  std::vector<RunResidual> run;
  Eigen::MatrixXd rows(points, 3);
  Eigen::VectorXd sizes(points);
  double seeing = truth.seeing * normal(random);
  for (int i = 0; i < points; ++i) {
    const double u = 2.5 * (2.0 * i / (points - 1) - 1);
    RunResidual r;
    r.time_s = kCadence_s * i;
    r.row = advice::size_row(curve::Shape::hyperbola(), u);
    if (own_sigmas) r.own_sigma = truth.measuring;
    rows.row(i) << r.row.by_parameter[0], r.row.by_parameter[1], r.row.by_parameter[2];
    sizes[i] = seeing * r.row.by_seeing + truth.measuring * normal(random);
    seeing = kept * seeing + truth.seeing * std::sqrt(1 - kept * kept) * normal(random);
    run.push_back(r);
  }
  const Eigen::VectorXd curve =
      rows * (rows.transpose() * rows).ldlt().solve(rows.transpose() * sizes);
  for (int i = 0; i < points; ++i) run[static_cast<std::size_t>(i)].relative = sizes[i] - curve[i];
  return run;
}

// Half of the spacing of the scatters that are tried is a factor of 1.4.
TEST(RunNoise, RecoversScatterAndMemory) {
  std::mt19937_64 random(2);
  for (const bool own_sigmas : {true, false}) {
    for (const Truth& truth : {Truth{0.01, 0.06, 36}, Truth{0.01, 0.03, 4}}) {
      std::vector<std::vector<RunResidual>> runs;
      for (int i = 0; i < 60; ++i) runs.push_back(fitted_run(truth, 11, own_sigmas, random));
      const auto noise = advice::run_noise(runs, 1);
      EXPECT_NEAR(std::log(noise.seeing / truth.seeing), 0, std::log(1.4)) << own_sigmas;
      EXPECT_NEAR(std::log(noise.memory_s / truth.memory_s), 0, std::log(2)) << own_sigmas;
      EXPECT_NEAR(std::log(noise.measuring / truth.measuring), 0, std::log(1.5)) << own_sigmas;
    }
  }
}

// Nothing to go by: what is usual.
TEST(RunNoise, IsTheUsualOneWithoutRuns) {
  const auto noise = advice::run_noise({}, 1);
  EXPECT_NEAR(noise.seeing, 0.03, 0.006);
  EXPECT_NEAR(noise.memory_s, 20, 2);
}

// Of a seeing that stays over several frames the curve takes up the most. Who takes what is left
// for noise of its own finds less of it, in the same runs.
TEST(RunNoise, CountsWhatTheCurveTookUp) {
  std::mt19937_64 random(4);
  const Truth truth{0.005, 0.06, 40};
  std::vector<std::vector<RunResidual>> runs;
  std::vector<advice::Deviation> alone;
  for (int i = 0; i < 20; ++i) {
    runs.push_back(fitted_run(truth, 9, true, random));
    for (const RunResidual& r : runs.back()) {
      alone.push_back({r.relative, r.own_sigma, r.row.by_seeing});
    }
  }
  const double independent =
      advice::observed_noise(alone, static_cast<double>(alone.size()) * 6 / 9).seeing;
  EXPECT_GT(advice::run_noise(runs, 1).seeing, 1.2 * independent);
}

}  // namespace
}  // namespace starwaist
