#include "advice/joint_fit.h"

#include <algorithm>
#include <cmath>

#include "curve/priors.h"
#include "curve/shape_fit.h"

namespace starwaist::advice {
namespace {

constexpr double kStudentDegrees = curve::kStudentDegreesOfSlack;

struct AtPoint {
  double reach;  // slope times distance from best focus
  curve::LopsidedValue value;
  double by_stretch;
  double u;
};

// `h0`, `k`: smallest size and slope.
AtPoint at_point(const JointSamples& s, double place, const curve::Shape& shape, const double* p,
                 double h0, double k, std::size_t i) {
  AtPoint a{};
  a.reach = k * (place - s.shift[i] - p[kFocus] - p[kDrift] * s.time[i]);
  a.u = a.reach / h0;
  a.value = shape.at(a.u, p[kLopsidedness]);
  // h becomes h^(1 + c).
  const double logarithm = std::log(a.value.h);
  const double factor = curve::bounded_exp(p[kStretch] * logarithm);
  const double by_h = (1 + p[kStretch]) * factor;
  a.value = {a.value.h * factor, a.value.slope * by_h, a.value.by_a * by_h};
  a.by_stretch = a.value.h * logarithm;
  return a;
}

}  // namespace

JointResiduals::JointResiduals(const JointSamples& samples, const PlayHypothesis& hypothesis,
                               double width, const curve::Shape& shape, const JointPriors& priors,
                               bool robust)
    : samples_(samples),
      hypothesis_(hypothesis),
      width_(width),
      shape_(shape),
      priors_(priors),
      robust_(robust) {
  const auto& beginnings = hypothesis.beginnings;
  const bool open = !hypothesis.jumps && std::find(beginnings.begin(), beginnings.end(),
                                                   Beginning::between) != beginnings.end();
  if (!open) places_ = mechanism(samples, hypothesis, width, 0);
}

void JointResiduals::evaluate(const double* p, double* residuals, double* jacobian) const {
  if (jacobian != nullptr) {
    const auto cells = static_cast<std::size_t>(count()) * kJointParameters;
    std::fill(jacobian, jacobian + cells, 0.0);
  }
  evaluate_points(p, residuals, jacobian);
  evaluate_priors(p, residuals, jacobian);
}

void JointResiduals::evaluate_points(const double* p, double* residuals, double* jacobian) const {
  const std::size_t n = samples_.count();
  const std::size_t rows = n + kPriors;
  // Beyond 0 and 1 there is nothing to gain.
  const double taken_up = std::clamp(p[kTakenUp], 0.0, 1.0);
  Places moving;
  if (!places_) moving = mechanism(samples_, hypothesis_, width_, taken_up);
  const Places& places = places_ ? *places_ : moving;
  const double h0 = curve::bounded_exp(p[kLnSize]);
  const double k = curve::bounded_exp(p[kLnSlope]);
  for (std::size_t i = 0; i < n; ++i) {
    const double w = samples_.weight[i];
    if (!(w > 0)) {
      residuals[i] = 0;
      continue;
    }
    const AtPoint a = at_point(samples_, places.at[i], shape_, p, h0, k, i);
    const double plain = w * (h0 * a.value.h - samples_.y[i]);
    double factor = w;
    residuals[i] = plain;
    if (robust_) {
      const double ratio = plain * plain / kStudentDegrees;
      const double bent = std::copysign(std::sqrt(kStudentDegrees * std::log1p(ratio)), plain);
      residuals[i] = bent;
      if (ratio > 1e-12) factor *= plain / ((1 + ratio) * bent);
    }
    if (jacobian == nullptr) continue;
    jacobian[kFocus * rows + i] = -factor * k * a.value.slope;
    jacobian[kLnSize * rows + i] = factor * h0 * (a.value.h - a.u * a.value.slope);
    jacobian[kLnSlope * rows + i] = factor * a.reach * a.value.slope;
    jacobian[kLopsidedness * rows + i] = factor * h0 * a.value.by_a;
    jacobian[kDrift * rows + i] = jacobian[kFocus * rows + i] * samples_.time[i];
    jacobian[kStretch * rows + i] = factor * h0 * a.by_stretch;
    if (taken_up == p[kTakenUp]) {
      jacobian[kTakenUp * rows + i] = -jacobian[kFocus * rows + i] * places.by_taken_up[i];
    }
  }
}

void JointResiduals::evaluate_priors(const double* p, double* residuals, double* jacobian) const {
  struct Prior {
    JointParameter parameter;
    double mean;
    double sigma;
  };
  const std::array<Prior, kPriors> priors{{{kLopsidedness, 0, priors_.lopsidedness},
                                           {kDrift, 0, priors_.drift},
                                           {kTakenUp, 0.5, priors_.taken_up},
                                           {kStretch, 0, priors_.stretch}}};
  const auto rows = static_cast<std::size_t>(count());
  std::size_t row = samples_.count();
  for (const Prior& prior : priors) {
    residuals[row] = (p[prior.parameter] - prior.mean) / prior.sigma;
    if (jacobian != nullptr) jacobian[prior.parameter * rows + row] = 1 / prior.sigma;
    ++row;
  }
}

JointValue joint_value(const JointSamples& samples, const Places& places, const curve::Shape& shape,
                       const JointParameters& p, std::size_t i) {
  const double h0 = curve::bounded_exp(p[kLnSize]);
  const double k = curve::bounded_exp(p[kLnSlope]);
  const AtPoint a = at_point(samples, places.at[i], shape, p.data(), h0, k, i);
  return {h0 * a.value.h, curve::seeing_share(a.value, a.u)};
}

}  // namespace starwaist::advice
