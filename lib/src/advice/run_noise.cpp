#include "advice/run_noise.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>

#include "advice/observed_noise.h"
#include "curve/priors.h"
#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

constexpr std::size_t kMostPointsOfRun = 120;  // of a run: the likelihood takes their cube of time

// Standard errors that a run's points say, times this, are what they scatter by apart from the
// seeing: what a shape misses and stars have in common comes on top. Rendered runs without any
// seeing scatter by 1 to 2 times their errors.
constexpr std::array<curve::TriedValue, 3> kOwnSigmaFactors{{{1, 0}, {1.6, -1}, {2.5, -2}}};
constexpr std::array kOpenFactors{0.25, 0.35, 0.5, 0.7,
                                  1.0,  1.4,  2.0};  // where the points say none

struct NoiseGuess {
  RunNoise noise;     // measuring: the usual one times `factor`
  double factor = 1;  // on the measuring errors
  double log_weight = 0;
};

// ln of the restricted likelihood of one run.
double log_likelihood(const std::vector<RunResidual>& run, const NoiseGuess& guess,
                      double seeing_share) {
  const auto n = static_cast<Eigen::Index>(std::min(run.size(), kMostPointsOfRun));
  Eigen::MatrixXd covariance(n, n);
  Eigen::MatrixXd known(n, 4);  // the curve's derivatives, and the residuals
  const double seeing = guess.noise.seeing * seeing_share;
  for (Eigen::Index i = 0; i < n; ++i) {
    const RunResidual& a = run[static_cast<std::size_t>(i)];
    for (Eigen::Index j = 0; j <= i; ++j) {
      const RunResidual& b = run[static_cast<std::size_t>(j)];
      const double kept = std::exp(-std::abs(a.time_s - b.time_s) / guess.noise.memory_s);
      covariance(i, j) = kept * seeing * seeing * a.row.by_seeing * b.row.by_seeing;
    }
    const double measuring = a.own_sigma ? guess.factor * *a.own_sigma : guess.noise.measuring;
    covariance(i, i) += measuring * measuring;
    for (Eigen::Index k = 0; k < 3; ++k) {
      known(i, k) = a.row.by_parameter[static_cast<std::size_t>(k)];
    }
    known(i, 3) = a.relative;
  }
  const Eigen::LLT<Eigen::MatrixXd> root(covariance);
  if (root.info() != Eigen::Success) return -std::numeric_limits<double>::infinity();
  const Eigen::MatrixXd white = root.matrixL().solve(known);
  const Eigen::Matrix3d information = white.leftCols(3).transpose() * white.leftCols(3);
  const Eigen::LDLT<Eigen::Matrix3d> factors(information);
  if (!(factors.vectorD().minCoeff() > 0)) return -std::numeric_limits<double>::infinity();
  const Eigen::Vector3d along = white.leftCols(3).transpose() * white.col(3);
  const double squares = white.col(3).squaredNorm() - along.dot(factors.solve(along));
  const double log_root = root.matrixLLT().diagonal().array().log().sum();
  return -log_root - 0.5 * factors.vectorD().array().log().sum() - 0.5 * squares;
}

std::vector<double> own_sigmas(const std::vector<std::vector<RunResidual>>& runs) {
  std::vector<double> own;
  for (const auto& run : runs) {
    for (const RunResidual& r : run) {
      if (r.own_sigma) own.push_back(*r.own_sigma);
    }
  }
  return own;
}

std::vector<NoiseGuess> guesses_of(const std::vector<double>& own) {
  const double usual = own.empty() ? curve::kUsualMeasuringError : median(own);
  std::vector<curve::TriedValue> factors(kOwnSigmaFactors.begin(), kOwnSigmaFactors.end());
  if (own.empty()) {
    factors.clear();
    for (const double factor : kOpenFactors) factors.push_back({factor, log_usual(factor, 1)});
  }
  std::vector<NoiseGuess> guesses;
  for (const curve::TriedValue& factor : factors) {
    for (const double scatter : curve::kSeeingScattersOfAdvice) {
      for (const double memory : curve::kSeeingMemories) {
        guesses.push_back({{usual * factor.value, scatter, memory},
                           factor.value,
                           factor.log_prior + log_usual(scatter, curve::kUsualSeeingScatter)});
      }
    }
  }
  return guesses;
}

}  // namespace

RunNoise run_noise(const std::vector<std::vector<RunResidual>>& runs, double seeing_share) {
  constexpr std::size_t kFitted = 3;  // best focus, smallest size, slope
  std::vector<NoiseGuess> guesses = guesses_of(own_sigmas(runs));
  double best = -std::numeric_limits<double>::infinity();
  for (NoiseGuess& guess : guesses) {
    for (const auto& run : runs) {
      if (run.size() > kFitted) guess.log_weight += log_likelihood(run, guess, seeing_share);
    }
    best = std::max(best, guess.log_weight);
  }
  double total = 0;
  double log_measuring = 0;
  double log_seeing = 0;
  double log_memory = 0;
  for (const NoiseGuess& guess : guesses) {
    const double weight = std::isfinite(best) ? std::exp(guess.log_weight - best) : 1;
    total += weight;
    log_measuring += weight * std::log(guess.noise.measuring);
    log_seeing += weight * std::log(guess.noise.seeing);
    log_memory += weight * std::log(guess.noise.memory_s);
  }
  // In the middle of what the runs allow: a mean of variances would be the widest noise's.
  return {std::exp(log_measuring / total), std::exp(log_seeing / total),
          std::exp(log_memory / total)};
}

}  // namespace starwaist::advice
