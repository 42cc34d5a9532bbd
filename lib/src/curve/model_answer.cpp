#include "curve/model_answer.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include "curve/located.h"
#include "curve/parabola.h"
#include "curve/priors.h"

namespace starwaist::curve {
namespace {

// Residuals smaller than this part of the size are arithmetic, not noise.
constexpr double kRoundingRelative = 1e-9;
constexpr double kFullProfileWeight = 0.05;  // lighter parts get a straight root

// A lopsided curve's say in where best focus is put, beside an even one of the same weight. It is
// freer by one parameter: on curves by wave optics with 0, 1/2 and 1 wave of spherical aberration
// the error of the answer falls by 7, 6 and 4 % at n = 15 (6, 4 and 2 % at n = 9) when it must
// convince the more. The intervals take it at its full weight.
constexpr double kLopsidedSay = 0.25;

// Variance of one weighted residual.
double residual_variance(const Samples& s, double sum_of_squares, int degrees, bool own_sigmas) {
  double rounding = 0;
  double lucky = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(s.weight[i] > 0)) continue;
    rounding = std::max(rounding, kRoundingRelative * s.y[i] * s.weight[i]);
    lucky = std::max(lucky, s.own_sigma[i] * s.weight[i]);
  }
  const double floor =
      std::max(rounding * rounding, own_sigmas ? kLuckiestVariance * lucky * lucky : 0.0);
  return std::max(sum_of_squares / degrees, floor);
}

struct Quality {
  std::optional<double> r_squared;            // unweighted share of the variance explained
  std::optional<double> reduced_chi_squared;  // misfit against the points' own sigmas
};

// Of the points with a weight.
template <class Curve>
Quality quality_of(const Samples& s, const Curve& curve) {
  double mean = 0;
  int n = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(s.weight[i] > 0)) continue;
    mean += s.y[i];
    ++n;
  }
  mean /= n;
  double total = 0;
  double left = 0;
  double chi_squared = 0;
  int with_sigma = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (!(s.weight[i] > 0)) continue;
    const double deviation = s.y[i] - curve(s.t[i]);
    total += (s.y[i] - mean) * (s.y[i] - mean);
    left += deviation * deviation;
    if (s.own_sigma[i] > 0) {
      chi_squared += deviation * deviation / (s.own_sigma[i] * s.own_sigma[i]);
      ++with_sigma;
    }
  }
  Quality quality;
  if (total > 0) quality.r_squared = 1 - left / total;
  if (with_sigma > kModelParameters) {
    quality.reduced_chi_squared = chi_squared / (with_sigma - kModelParameters);
  }
  return quality;
}

struct Likelihood {
  double log_evidence = 0;
  std::optional<double> aicc;
};

// AICc where n allows it, and what weighs the models: every one has three parameters, so AICc's
// penalties cancel, and at five points its likelihood at the noise's best value would take luck for
// proof. So the likelihood is integrated over parameters and noise, the noise expected beforehand
// counting as kPriorDegrees degrees of freedom (the weights are in its unit).
Likelihood likelihood_of(const Samples& s, double sum_of_squares, double variance_floor) {
  Likelihood likelihood;
  const int n = s.used();
  double log_weights = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (s.weight[i] > 0) log_weights += std::log(s.weight[i]);
  }
  const double squares = std::max(sum_of_squares, variance_floor);
  const double minus_two_log_likelihood =
      n * std::log(2 * M_PI * squares / n) + n - 2 * log_weights;
  const int k = kModelParameters + 1;
  likelihood.log_evidence =
      -0.5 * (n - kModelParameters + kPriorDegrees) * std::log(squares + kPriorDegrees);
  if (n - k - 1 > 0) {
    likelihood.aicc = minus_two_log_likelihood + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1);
  }
  return likelihood;
}

// Takes over what the heaviest hypothesis says of the model. `s`: with its weights.
template <class Curve>
void describe(const Samples& s, double sum_of_squares, const Curve& curve, ModelAnswer& answer) {
  const Quality quality = quality_of(s, curve);
  answer.fit.r_squared = quality.r_squared;
  answer.fit.reduced_chi_squared = quality.reduced_chi_squared;
  const int degrees = s.used() - kModelParameters;
  const Likelihood likelihood =
      likelihood_of(s, sum_of_squares, degrees * residual_variance(s, 0, degrees, false));
  answer.fit.aicc = likelihood.aicc;
  answer.log_evidence = likelihood.log_evidence;
  answer.fitted = true;
}

void describe_shape(const Samples& s, const Shape& shape, const ShapeFit& fit,
                    ModelAnswer& answer) {
  const double h0 = bounded_exp(fit.parameters[1]) * s.size_unit_px;
  const double slope = bounded_exp(fit.parameters[2]) * s.size_unit_px / s.half_range_steps;
  answer.fit.min_size_px = h0;
  answer.fit.slope_px_per_step = slope;
  answer.fit.parameters = FocusCurve{.centre_steps = s.steps(fit.parameters[0]),
                                     .min_size_px = h0,
                                     .slope_px_per_step = slope,
                                     .lopsidedness = fit.parameters[3],
                                     .blur = {}};
  describe(
      s, fit.sum_of_squares, [&](double t) { return shape_size(shape, fit.parameters, t); },
      answer);
}

void describe_parabola(const Samples& s, const ParabolaFit& fit, ModelAnswer& answer) {
  const auto& c = fit.parameters;
  const double unit = s.size_unit_px;
  answer.fit.parameters = ParabolaCurve{
      .reference_steps = s.centre_steps,
      .constant_px = c[0] * unit,
      .linear_px_per_step = c[1] * unit / s.half_range_steps,
      .quadratic_px_per_step2 = c[2] * unit / (s.half_range_steps * s.half_range_steps)};
  if (c[2] > 0) answer.fit.min_size_px = unit * (c[0] - c[1] * c[1] / (4 * c[2]));
  describe(
      s, fit.sum_of_squares, [&](double t) { return c[0] + t * (c[1] + t * c[2]); }, answer);
}

// The part of best focus' variance that comes from the lopsidedness' prior is not estimated from
// the residuals.
double degrees_of_best_focus(const ShapeFit& fit, int degrees) {
  const Eigen::Matrix3d even = fit.unscaled_covariance.inverse().topLeftCorner<3, 3>().inverse();
  const double ratio = fit.unscaled_covariance(0, 0) / even(0, 0);
  return std::isfinite(ratio) ? degrees_of_sum(degrees, ratio) : degrees;
}

// What one hypothesis says of best focus; absent where its curve cannot be fitted. `s`: with its
// weights.
std::optional<Component> part_of(const Hypothesis& h, ShapeFitter& fitter, const Samples& s,
                                 const ShapeFit& fit) {
  const int degrees = s.used() - kModelParameters;
  const double variance = residual_variance(s, fit.sum_of_squares, degrees, s.has_own_sigmas());
  std::optional<ShapeFitter> own_prior;
  ShapeFit at = fit;
  if (h.lopsided) {
    // The spread of a is its own, whatever the noise: where all is scaled by the variance of the
    // residuals it must not be.
    const double moderate = (degrees * variance + kPriorDegrees) / (degrees + kPriorDegrees);
    own_prior.emplace(fitter.shape(), fitter.sigma_a() / std::sqrt(moderate));
    at = own_prior->refit(s, fit);
    if (!at.usable) return std::nullopt;
  }
  const double student = degrees_of_best_focus(at, degrees);
  Component part =
      h.weight >= kFullProfileWeight
          ? shape_component(own_prior ? *own_prior : fitter, s, at, variance, student)
          : straight_component(at.parameters[0], std::sqrt(variance * at.unscaled_covariance(0, 0)),
                               student);
  part.weight = h.weight;
  if (h.lopsided) part.say = kLopsidedSay;
  return part;
}

}  // namespace

ModelAnswer answer_shape(CurveModel model, ShapeFitters& fitters, std::size_t shape,
                         const Samples& samples, const std::vector<Hypothesis>& hypotheses) {
  ModelAnswer answer;
  answer.fit.model = model;
  Samples s = samples;
  double share = 0;
  for (const Hypothesis& h : hypotheses) share += h.shape == shape ? h.weight : 0.0;
  answer.share = share;
  for (const Hypothesis& h : hypotheses) {
    if (share > 0 && h.shape != shape) continue;
    s.weight = h.weights;
    ShapeFitter& fitter = fitters.of(h.lopsided);
    const ShapeFit fit = share > 0 ? h.fit : fitter.refit(s, h.fit);
    if (!fit.usable || s.used() <= kModelParameters) continue;
    auto part = part_of(h, fitter, s, fit);
    if (!part) continue;
    if (part->sound()) answer.parts.push_back(std::move(*part));
    if (!answer.fitted) describe_shape(s, fitter.shape(), fit, answer);
  }
  normalise(answer.parts);
  answer.fit = located(samples, answer.parts, answer.fit);
  return answer;
}

ModelAnswer answer_parabola(const Samples& samples, const std::vector<Hypothesis>& hypotheses) {
  ModelAnswer answer;
  answer.fit.model = CurveModel::parabola;
  bool opens_upwards = true;
  Samples s = samples;
  for (const Hypothesis& h : hypotheses) {
    s.weight = h.weights;
    const ParabolaFit fit = fit_polynomial<3>(s);
    const int degrees = s.used() - kModelParameters;
    if (!fit.usable || degrees < 1) continue;
    if (fit.parameters[2] > 0) {
      const double variance = residual_variance(s, fit.sum_of_squares, degrees, s.has_own_sigmas());
      Component part = parabola_component(fit, variance, degrees);
      part.weight = h.weight;
      if (part.sound()) answer.parts.push_back(std::move(part));
    } else if (!answer.fitted) {
      opens_upwards = false;
    }
    if (!answer.fitted) describe_parabola(s, fit, answer);
  }
  if (!opens_upwards) answer.parts.clear();  // it has no minimum
  normalise(answer.parts);
  answer.fit = located(samples, answer.parts, answer.fit);
  return answer;
}

}  // namespace starwaist::curve
