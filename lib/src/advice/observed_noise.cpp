#include "advice/observed_noise.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "curve/priors.h"
#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

struct NoiseTrial {
  double log_weight;
  ObservedNoise noise;
};

// `noise.measuring` is of the points that have no error of their own.
double log_posterior(double log_prior, const std::vector<Deviation>& deviations,
                     double share_of_degrees, const ObservedNoise& noise) {
  double log_weight = log_prior;
  for (const Deviation& d : deviations) {
    const double measuring = d.own_sigma.value_or(noise.measuring);
    const double seeing = noise.seeing * d.seeing_share;
    const double variance = measuring * measuring + seeing * seeing;
    log_weight -=
        0.5 * (share_of_degrees * std::log(variance) + d.relative * d.relative / variance);
  }
  return log_weight;
}

std::vector<NoiseTrial> try_all(const std::vector<Deviation>& deviations, double degrees) {
  std::vector<double> own;
  for (const Deviation& d : deviations) {
    if (d.own_sigma) own.push_back(*d.own_sigma);
  }
  const double usual = own.empty() ? curve::kUsualMeasuringError : median(own);
  // A size's own standard error is nearly what it says; without one it is open.
  std::vector<double> factors{1.0};
  if (own.empty()) factors = {0.25, 0.5, 1.0, 2.0};
  const double n = std::max<double>(1, static_cast<double>(deviations.size()));
  const double share_of_degrees = std::max(0.0, degrees) / n;
  std::vector<NoiseTrial> trials;
  for (const double factor : factors) {
    for (const double scatter : curve::kSeeingScattersOfAdvice) {
      double prior = log_usual(scatter, curve::kUsualSeeingScatter);
      if (own.empty()) prior += log_usual(factor, 1);
      const ObservedNoise noise{usual * factor, scatter};
      trials.push_back({log_posterior(prior, deviations, share_of_degrees, noise), noise});
    }
  }
  return trials;
}

}  // namespace

double log_usual(double value, double usual) {
  const double z = std::log(value / usual) / std::log(curve::kUsualNoiseFactor);
  return -0.5 * z * z;
}

ObservedNoise observed_noise(const std::vector<Deviation>& deviations, double degrees) {
  const std::vector<NoiseTrial> trials = try_all(deviations, degrees);
  double best = -std::numeric_limits<double>::infinity();
  for (const NoiseTrial& trial : trials) best = std::max(best, trial.log_weight);
  double total = 0;
  double log_measuring = 0;
  double log_seeing = 0;
  for (const NoiseTrial& trial : trials) {
    const double weight = std::exp(trial.log_weight - best);
    total += weight;
    log_measuring += weight * std::log(trial.noise.measuring);
    log_seeing += weight * std::log(trial.noise.seeing);
  }
  // In the middle of what the run allows: a mean of variances would be the widest noise's.
  return {std::exp(log_measuring / total), std::exp(log_seeing / total)};
}

}  // namespace starwaist::advice
