#include "curve/noise.h"

#include <array>
#include <cmath>
#include <limits>

#include "starwaist/statistics.h"

namespace starwaist::curve {
namespace {

// Relative measuring error of a size whose sigma nobody gave, and the seeing's scatter that is
// common from frame to frame (1 to 6 %). Only their ratio matters for the fits.
constexpr double kUsualMeasuringError = 0.015;
constexpr double kUsualSeeingScatter = 0.03;
constexpr std::array kSeeingScatters{0.0, 0.015, 0.03, 0.06, 0.12};
// Measuring errors that are tried: the points' own sigmas, or, where none has one, errors in
// proportion to the size and errors equal for all (rounded sizes, widths of rings).
std::vector<std::vector<double>> measuring_sigmas(const Samples& s,
                                                  const std::vector<double>& sizes) {
  std::vector<double> relative;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (s.own_sigma[i] > 0) relative.push_back(s.own_sigma[i] / s.y[i]);
  }
  const double usual = relative.empty() ? kUsualMeasuringError : median(relative);
  std::vector<double> sigma(s.count());
  for (std::size_t i = 0; i < s.count(); ++i) {
    sigma[i] = s.own_sigma[i] > 0 ? s.own_sigma[i] : usual * sizes[i];
    // An error below a thousandth of the size is a rounding, not an error of a measured star.
    sigma[i] = std::max(sigma[i], 1e-3 * sizes[i]);
  }
  if (!relative.empty()) return {sigma};
  return {sigma, std::vector<double>(s.count(), usual * median(sizes))};
}

struct Candidate {
  std::vector<double> variance;
  double log_likelihood;
  double factor;  // by which the residuals exceed the assumed variances
};

Candidate try_scatter(ShapeFitter& fitter, Samples& s, const ShapeFit& curve, double scatter,
                      const std::vector<double>& measuring, const std::vector<double>& seeing) {
  Candidate c{std::vector<double>(s.count()), 0, 1};
  for (std::size_t i = 0; i < s.count(); ++i) {
    const double from_seeing = scatter * seeing[i];
    c.variance[i] = measuring[i] * measuring[i] + from_seeing * from_seeing;
    if (!(s.weight[i] > 0)) continue;
    s.weight[i] = 1 / std::sqrt(c.variance[i]);
    c.log_likelihood -= 0.5 * std::log(c.variance[i]);
  }
  const ShapeFit fit = fitter.refit(s, curve, kSquaresTolerance);
  const double degrees = static_cast<double>(s.used()) - kFreeShapeParameters;
  const double information = fit.usable ? fit.log_det_information : 0.0;
  const double squares = fit.usable ? fit.sum_of_squares : 0.0;
  c.factor = (squares + kPriorDegrees) / (degrees + kPriorDegrees);
  c.log_likelihood -= 0.5 * information + 0.5 * (degrees + kPriorDegrees) * std::log(c.factor);
  return c;
}

}  // namespace

NoiseModel estimate_noise(ShapeFitter& fitter, const Samples& samples, const ShapeFit& curve) {
  Samples s = samples;
  std::vector<double> sizes(s.count());
  std::vector<double> seeing(s.count());  // change of size for a relative change of the seeing
  const double h0 = bounded_exp(curve.parameters[1]);
  for (std::size_t i = 0; i < s.count(); ++i) {
    const CurveValue value = curve_at(fitter.shape(), curve.parameters, s.t[i]);
    sizes[i] = h0 * value.h;
    seeing[i] = sizes[i] * seeing_share(value, value.u);
  }
  const std::vector<std::vector<double>> measuring = measuring_sigmas(s, sizes);
  std::vector<Candidate> candidates;
  double best = -std::numeric_limits<double>::infinity();
  for (const std::vector<double>& errors : measuring) {
    for (const double scatter : kSeeingScatters) {
      candidates.push_back(try_scatter(fitter, s, curve, scatter, errors, seeing));
      best = std::max(best, candidates.back().log_likelihood);
    }
  }
  std::vector<double> variance(s.count(), 0.0);
  double total = 0;
  for (const Candidate& c : candidates) {
    const double weight = std::exp(c.log_likelihood - best);
    total += weight;
    for (std::size_t i = 0; i < s.count(); ++i) variance[i] += weight * c.factor * c.variance[i];
  }
  NoiseModel noise{std::vector<double>(s.count()), 1};
  std::vector<double> expected(s.count());
  for (std::size_t i = 0; i < s.count(); ++i) {
    noise.sigma[i] = std::sqrt(variance[i] / total);
    expected[i] =
        (measuring[0][i] * measuring[0][i] + std::pow(kUsualSeeingScatter * seeing[i], 2)) * total /
        variance[i];
  }
  noise.prior_variance = median(expected);
  return noise;
}

// So that the parameters' priors have about their right weight in the first fit too.
constexpr double kUsualError = 0.04;

void weigh_relative(Samples& samples) {
  for (std::size_t i = 0; i < samples.count(); ++i)
    samples.weight[i] = 1 / (kUsualError * samples.y[i]);
}

void apply_noise(const NoiseModel& noise, Samples& samples) {
  for (std::size_t i = 0; i < samples.count(); ++i) samples.weight[i] = 1 / noise.sigma[i];
}

}  // namespace starwaist::curve
