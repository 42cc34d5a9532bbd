// One focus curve through the points of several sweeps, for a given width of the slack.
//
// In: the samples with their weights, a hypothesis and a width, the curve's shape, priors, a start.
// Out: the parameters of the best curve, its sum of squares, the covariance of focus and drift.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "advice/play.h"
#include "curve/curve_shape.h"

namespace starwaist::advice {

// Parameters, in this order: best focus (on the way in, mid-time), ln smallest size, ln slope,
// lopsidedness, drift over all frames, part of the slack taken up when a record begins between,
// stretch.
//
// Stretch c: size = H0 h^(1 + c). Sweeps in opposite directions sample the curve as mirror images,
// so that an error of its shape that one sweep would not feel moves the two apart. Sizes as frames
// give them differ from the blur's curve in that way: the smallest are 0 to 4 % short against rings
// of three times their size, wide rings up to some per cent long.
enum JointParameter : std::size_t {
  kFocus,
  kLnSize,
  kLnSlope,
  kLopsidedness,
  kDrift,
  kTakenUp,
  kStretch,
  kJointParameters
};
using JointParameters = std::array<double, kJointParameters>;

struct JointPriors {
  double lopsidedness = 0.045;
  double drift = 1;         // standard deviation, scaled units over all frames
  double taken_up = 0.289;  // about a half: the standard deviation of even odds from 0 to 1
  double stretch = 0.02;
};

class JointResiduals {
 public:
  static constexpr int kParameters = static_cast<int>(kJointParameters);
  static constexpr int kPriors = 4;
  // `robust`: residuals r become sign(r) sqrt(nu ln(1 + r^2 / nu)), Student's t in place of a
  // normal distribution, nu = 4.
  JointResiduals(const JointSamples& samples, const PlayHypothesis& hypothesis, double width,
                 const curve::Shape& shape, const JointPriors& priors, bool robust);
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()) + kPriors; }
  void evaluate(const double* p, double* residuals, double* jacobian) const;

 private:
  void evaluate_points(const double* p, double* residuals, double* jacobian) const;
  void evaluate_priors(const double* p, double* residuals, double* jacobian) const;

  const JointSamples& samples_;
  const PlayHypothesis& hypothesis_;
  double width_;
  const curve::Shape& shape_;
  JointPriors priors_;
  bool robust_;
  std::optional<Places> places_;  // where no parameter changes them
};

struct JointFit {
  JointParameters parameters{};
  double sum_of_squares = 0;
  // Covariance over the variance of the residuals, of final fits alone.
  double focus_variance = 0;
  double focus_drift_covariance = 0;
  double drift_variance = 0;
};

// `first_look`: robust, to a thousandth and in few steps, without the covariance. An error of the
// parameters enters the sum of squares by its square, and a start so bad that it takes more steps
// is not worth them. Else least squares to the end.
// Absent where the points determine no curve.
enum class JointEffort { first_look, final_fit };
std::optional<JointFit> fit_joint_curve(const JointResiduals& residuals,
                                        const JointParameters& start, JointEffort effort);

// Size and relative change with the seeing at point i.
struct JointValue {
  double size;
  double seeing_share;
};
JointValue joint_value(const JointSamples& samples, const Places& places, const curve::Shape& shape,
                       const JointParameters& p, std::size_t i);

}  // namespace starwaist::advice
