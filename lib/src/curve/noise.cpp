#include "curve/noise.h"

#include <array>
#include <cmath>
#include <limits>
#include <span>

#include "curve/priors.h"
#include "starwaist/statistics.h"

namespace starwaist::curve {
namespace {

// Measuring errors that are tried: the points' own sigmas, or, where none has one, errors in
// proportion to the size and errors equal for all (rounded sizes, widths of rings).
std::vector<std::vector<double>> measuring_sigmas(const Samples& s, std::span<const double> sizes) {
  std::vector<double> relative;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (s.own_sigma[i] > 0) relative.push_back(s.own_sigma[i] / s.y[i]);
  }
  const double usual = relative.empty() ? kUsualMeasuringError : median(relative);
  std::vector<double> sigma(s.count());
  for (std::size_t i = 0; i < s.count(); ++i) {
    sigma[i] = s.own_sigma[i] > 0 ? s.own_sigma[i] : usual * sizes[i];
    sigma[i] = std::max(sigma[i], kLeastMeasuringError * sizes[i]);
  }
  if (!relative.empty()) return {sigma};
  return {sigma,
          std::vector<double>(s.count(), usual * median(std::vector(sizes.begin(), sizes.end())))};
}

struct Tried {
  double log_likelihood;
  double factor;  // by which the residuals exceed the assumed variances
};

Tried try_candidate(ShapeFitter& fitter, Samples& s, const ShapeFit& curve,
                    std::span<const double> variance) {
  Tried c{0, 1};
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(s.weight[i] > 0)) continue;
    s.weight[i] = 1 / std::sqrt(variance[i]);
    c.log_likelihood -= 0.5 * std::log(variance[i]);
  }
  const ShapeFit fit = fitter.refit(s, curve);
  const double degrees = static_cast<double>(s.used()) - kFreeShapeParameters;
  const double information = fit.usable ? fit.log_det_information : 0.0;
  const double squares = fit.usable ? fit.sum_of_squares : 0.0;
  c.factor = (squares + kPriorDegrees) / (degrees + kPriorDegrees);
  c.log_likelihood -= 0.5 * information + 0.5 * (degrees + kPriorDegrees) * std::log(c.factor);
  return c;
}

}  // namespace

NoiseCandidates noise_candidates(const Samples& s, std::span<const double> sizes,
                                 std::span<const double> by_seeing) {
  const std::span<const TriedValue> scatters = s.has_own_sigmas()
                                                   ? std::span<const TriedValue>(kSeeingScatters)
                                                   : kSeeingScattersWithoutSigmas;
  NoiseCandidates candidates;
  candidates.points = s.count();
  for (const std::vector<double>& measuring : measuring_sigmas(s, sizes)) {
    for (const auto& [scatter, log_prior] : scatters) {
      candidates.log_prior.push_back(log_prior);
      for (std::size_t i = 0; i < s.count(); ++i) {
        const double from_seeing = scatter * by_seeing[i];
        candidates.variance.push_back(measuring[i] * measuring[i] + from_seeing * from_seeing);
      }
    }
  }
  return candidates;
}

NoiseModel estimate_noise(ShapeFitter& fitter, const Samples& samples, const ShapeFit& curve) {
  Samples s = samples;
  std::vector<double> sizes;
  std::vector<double> by_seeing;
  for (const double t : s.t) {
    const CurveValue value = curve_at(fitter.shape(), curve.parameters, t);
    sizes.push_back(bounded_exp(curve.parameters[1]) * value.h);
    by_seeing.push_back(sizes.back() * seeing_share(value, value.u));
  }
  const NoiseCandidates candidates = noise_candidates(s, sizes, by_seeing);
  std::vector<Tried> tried;
  double best = -std::numeric_limits<double>::infinity();
  for (std::size_t c = 0; c < candidates.count(); ++c) {
    tried.push_back(try_candidate(fitter, s, curve, candidates.variances(c)));
    best = std::max(best, tried.back().log_likelihood);
  }
  std::vector<double> variance(s.count(), 0.0);
  double total = 0;
  double factor = 0;
  for (std::size_t c = 0; c < candidates.count(); ++c) {
    const double weight = std::exp(tried[c].log_likelihood - best);
    total += weight;
    factor += weight * tried[c].factor;
    for (std::size_t i = 0; i < s.count(); ++i) {
      variance[i] += weight * tried[c].factor * candidates.variances(c)[i];
    }
  }
  NoiseModel noise{std::vector<double>(s.count()), factor / total};
  for (std::size_t i = 0; i < s.count(); ++i) noise.sigma[i] = std::sqrt(variance[i] / total);
  return noise;
}

void weigh_relative(Samples& samples) {
  for (std::size_t i = 0; i < samples.count(); ++i)
    samples.weight[i] = 1 / (kFirstRelativeError * samples.y[i]);
}

void apply_noise(const NoiseModel& noise, Samples& samples) {
  for (std::size_t i = 0; i < samples.count(); ++i) samples.weight[i] = 1 / noise.sigma[i];
}

}  // namespace starwaist::curve
