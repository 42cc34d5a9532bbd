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
  a.reach = k * (place - s.shift[i] - p[0] - p[4] * s.time[i]);
  a.u = a.reach / h0;
  a.value = shape.at(a.u, p[3]);
  // h becomes h^(1 + c).
  const double logarithm = std::log(a.value.h);
  const double factor = curve::bounded_exp(p[kStretch] * logarithm);
  const double by_h = (1 + p[kStretch]) * factor;
  a.value = {a.value.h * factor, a.value.slope * by_h, a.value.by_a * by_h};
  a.by_stretch = a.value.h * logarithm;
  return a;
}

}  // namespace

int JointSamples::used() const {
  return static_cast<int>(
      std::count_if(weight.begin(), weight.end(), [](double w) { return w > 0; }));
}

Places mechanism(const JointSamples& s, const PlayHypothesis& hypothesis, double width,
                 double taken_up) {
  Places places{std::vector<double>(s.count()), std::vector<double>(s.count(), 0.0)};
  if (hypothesis.jumps || width <= 0) {
    for (std::size_t i = 0; i < s.count(); ++i) {
      places.at[i] = s.direction[i] > 0 ? s.x[i] - width : s.x[i];
    }
    return places;
  }
  std::size_t record = 0;
  double at = 0;
  double by_taken_up = 0;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (record < s.record_start.size() && i == s.record_start[record]) {
      const bool outward = s.direction[i] > 0;
      const Beginning beginning = hypothesis.beginnings[record];
      double part = taken_up;
      if (beginning == Beginning::taken_up) part = 1;
      if (beginning == Beginning::untaken) part = 0;
      at = s.x[i] - width * (outward ? part : 1 - part);
      by_taken_up = beginning == Beginning::between ? (outward ? -width : width) : 0;
      ++record;
    }
    const double moved = std::clamp(at, s.x[i] - width, s.x[i]);
    if (moved != at) by_taken_up = 0;
    at = moved;
    places.at[i] = at;
    places.by_taken_up[i] = by_taken_up;
  }
  return places;
}

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
  const std::size_t n = samples_.count();
  const std::size_t rows = n + kPriors;
  // Beyond 0 and 1 there is nothing to gain.
  const double taken_up = std::clamp(p[kTakenUp], 0.0, 1.0);
  Places moving;
  if (!places_) moving = mechanism(samples_, hypothesis_, width_, taken_up);
  const Places& places = places_ ? *places_ : moving;
  const double h0 = curve::bounded_exp(p[1]);
  const double k = curve::bounded_exp(p[2]);
  if (jacobian != nullptr) std::fill(jacobian, jacobian + rows * kParameters, 0.0);
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
    jacobian[i] = -factor * k * a.value.slope;
    jacobian[rows + i] = factor * h0 * (a.value.h - a.u * a.value.slope);
    jacobian[2 * rows + i] = factor * a.reach * a.value.slope;
    jacobian[3 * rows + i] = factor * h0 * a.value.by_a;
    jacobian[4 * rows + i] = jacobian[i] * samples_.time[i];
    jacobian[kStretch * rows + i] = factor * h0 * a.by_stretch;
    if (taken_up == p[kTakenUp]) {
      jacobian[kTakenUp * rows + i] = -jacobian[i] * places.by_taken_up[i];
    }
  }
  residuals[n] = p[3] / priors_.lopsidedness;
  residuals[n + 1] = p[4] / priors_.drift;
  residuals[n + 2] = (p[kTakenUp] - 0.5) / priors_.taken_up;
  residuals[n + 3] = p[kStretch] / priors_.stretch;
  if (jacobian == nullptr) return;
  jacobian[3 * rows + n] = 1 / priors_.lopsidedness;
  jacobian[4 * rows + n + 1] = 1 / priors_.drift;
  jacobian[kTakenUp * rows + n + 2] = 1 / priors_.taken_up;
  jacobian[kStretch * rows + n + 3] = 1 / priors_.stretch;
}

JointValue joint_value(const JointSamples& samples, const Places& places, const curve::Shape& shape,
                       const JointParameters& p, std::size_t i) {
  const double h0 = curve::bounded_exp(p[1]);
  const double k = curve::bounded_exp(p[2]);
  const AtPoint a = at_point(samples, places.at[i], shape, p.data(), h0, k, i);
  return {h0 * a.value.h, curve::seeing_share(a.value, a.u)};
}

}  // namespace starwaist::advice
