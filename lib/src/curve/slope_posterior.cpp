#include "curve/slope_posterior.h"

#include <algorithm>
#include <cmath>

#include "numerics/log_sum.h"

namespace starwaist::curve {
namespace {

// Sums over all that is tried, weighed by a likelihood whose size is known only when it is met.
class Expectation {
 public:
  Expectation(std::size_t errors, std::size_t points) : of_error_(errors), bad_(points) {}

  void add(double log_weight, std::size_t error, const std::vector<double>& bad) {
    constexpr double kNothing = 30;  // ln of what counts for nothing
    if (log_weight < top_ - kNothing) return;
    if (log_weight > top_) {
      const double less = std::exp(top_ - log_weight);
      total_ *= less;
      for (double& sum : of_error_) sum *= less;
      for (double& sum : bad_) sum *= less;
      top_ = log_weight;
    }
    const double weight = std::exp(log_weight - top_);
    total_ += weight;
    of_error_[error] += weight;
    for (std::size_t i = 0; i < bad.size(); ++i) bad_[i] += weight * bad[i];
  }
  void write_to(SlopePosterior& posterior, bool looks_for_bad) const {
    posterior.of_error = of_error_;
    for (double& share : posterior.of_error) share /= total_;
    if (!looks_for_bad) return;
    posterior.bad = bad_;
    for (double& share : posterior.bad) share /= total_;
  }

 private:
  double top_ = -1e300;
  double total_ = 0;
  std::vector<double> of_error_;
  std::vector<double> bad_;
};

// The curve where a point is.
struct OnCurve {
  double size_px;
  double error_px;  // of a size there, beside the point's own
};

OnCurve on_curve(const SlopeBelief& belief, double u, double lopsidedness, double smallest_px) {
  const auto at = [&](const auto& value) {
    OnCurve curve{smallest_px * value.h, belief.scatter};
    if (belief.scatter_of_seeing > 0) {
      const double of_seeing = belief.scatter_of_seeing * seeing_share(value, u);
      curve.error_px = std::sqrt(belief.scatter * belief.scatter + of_seeing * of_seeing);
    }
    curve.error_px *= curve.size_px;
    return curve;
  };
  return lopsidedness == 0 ? at(belief.shape.at(u)) : at(belief.shape.at(u, lopsidedness));
}

// `bad` takes the points' probabilities to be bad where they may be.
double log_likelihood(const std::vector<CurvePoint>& points, const std::vector<OnCurve>& curve,
                      double factor, const std::optional<BadPointPrior>& may_be_bad,
                      std::vector<double>& bad) {
  constexpr double kSmall = 1e-200;  // a logarithm is taken only before a product leaves the range
  double sum = 0;
  double product = 1;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const CurvePoint& p = points[i];
    const double size = curve[i].size_px;
    const double beside = factor * curve[i].error_px;
    const double sigma =
        p.sigma_px ? std::sqrt(*p.sigma_px * *p.sigma_px + beside * beside) : beside;
    const double deviation = (*p.size_px - size) / sigma;
    if (!may_be_bad) {
      sum -= 0.5 * deviation * deviation + std::log(sigma);
      continue;
    }
    const double root_of_two_pi = 2.5066282746310002;
    const double good =
        (1 - may_be_bad->share) / (root_of_two_pi * sigma) * std::exp(-0.5 * deviation * deviation);
    const double not_good = may_be_bad->share * may_be_bad->density(*p.size_px, size);
    bad[i] = not_good / (good + not_good);
    product *= good + not_good;
    if (product < kSmall || product > 1 / kSmall) {
      sum += std::log(product);
      product = 1;
    }
  }
  return sum + std::log(product);
}

}  // namespace

SlopePosterior slope_posterior(const std::vector<CurvePoint>& points, const SlopeBelief& belief,
                               const Places& at) {
  const auto places = static_cast<std::size_t>(at.count);
  SlopePosterior result;
  result.grid = {at.first, (at.last - at.first) / (at.count - 1), std::vector<double>(places)};
  std::vector<double> logs(places, -1e300);
  std::vector<double> values(belief.sizes_px.size() * belief.slopes_px_per_step.size() *
                             belief.lopsidedness.size() * belief.scatter_factors.size());
  std::vector<OnCurve> curve(points.size());
  std::vector<double> bad(belief.bad ? points.size() : 0);
  Expectation expectation(belief.scatter_factors.size(), bad.size());
  for (int i = 0; i < at.count; ++i) {
    const double place = result.grid.steps(i);
    std::size_t next = 0;
    for (const TriedValue& size : belief.sizes_px) {
      for (const TriedValue& slope : belief.slopes_px_per_step) {
        for (const TriedValue& a : belief.lopsidedness) {
          for (std::size_t k = 0; k < points.size(); ++k) {
            const double u = slope.value * (points[k].position_steps - place) / size.value;
            curve[k] = on_curve(belief, u, a.value, size.value);
          }
          for (std::size_t e = 0; e < belief.scatter_factors.size(); ++e) {
            const TriedValue& factor = belief.scatter_factors[e];
            const double value =
                log_likelihood(points, curve, factor.value, belief.bad, bad) +
                (size.log_prior + slope.log_prior + a.log_prior + factor.log_prior);
            values[next++] = value;
            expectation.add(value, e, bad);
            if (value > result.likeliest.log_likelihood) {
              result.likeliest = {value, size.value, slope.value, a.value, place};
            }
          }
        }
      }
    }
    logs[static_cast<std::size_t>(i)] = numerics::log_sum(values);
  }
  const double top = *std::max_element(logs.begin(), logs.end());
  for (std::size_t i = 0; i < logs.size(); ++i) result.grid.mass[i] = std::exp(logs[i] - top);
  expectation.write_to(result, belief.bad.has_value());
  return result;
}

}  // namespace starwaist::curve
