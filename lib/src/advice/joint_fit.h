// One focus curve through the points of several sweeps, for a given width of the slack.
#pragma once

#include <Eigen/Dense>
#include <optional>
#include <vector>

#include "curve/least_squares.h"
#include "curve/curve_shape.h"

namespace starwaist::advice {

// How a record begins: what part of the slack is already taken up in its first direction.
enum class Beginning { taken_up, untaken, between };

// What is assumed of the slack beside its width.
struct PlayHypothesis {
  std::vector<Beginning> beginnings;  // one a record
  bool jumps = false;                 // focus jumps at reversals without dead travel
  double prior = 1;
};

// Points of all records in the order taken; positions scaled to about -1..1, sizes to about 1.
struct JointSamples {
  std::vector<double> x;       // commanded
  std::vector<double> shift;   // of best focus by temperature, same unit; 0 where unknown
  std::vector<double> y;       // size
  std::vector<double> time;    // -0.5 to 0.5 over all
  std::vector<double> weight;  // 1 / sigma; 0 leaves the point out
  std::vector<int> direction;  // of the move that led there: +1 outward, -1 inward
  std::vector<std::size_t> record_start;
  [[nodiscard]] std::size_t count() const { return x.size(); }
  [[nodiscard]] int used() const;
};

// Where the mechanism is at each point, in positions as commanded on the way in, and how that place
// changes with `taken_up`: the part of the slack, 0 to 1, that a record with Beginning::between
// begins with. A negative width (sweeps that disagree the wrong way) is a shift without dead
// travel.
struct Places {
  std::vector<double> at;
  std::vector<double> by_taken_up;
};
Places mechanism(const JointSamples& samples, const PlayHypothesis& hypothesis, double width,
                 double taken_up);

// Parameters: best focus (on the way in, mid-time), ln smallest size, ln slope, lopsidedness,
// drift over all frames, part of the slack taken up when a record begins between, stretch.
//
// Stretch c: size = H0 h^(1 + c). Sweeps in opposite directions sample the curve as mirror images,
// so that an error of its shape that one sweep would not feel moves the two apart. Sizes as frames
// give them differ from the blur's curve in that way: the smallest are 0 to 4 % short against rings
// of three times their size, wide rings up to some per cent long.
inline constexpr int kJointParameters = 7;
inline constexpr int kTakenUp = 5;
inline constexpr int kStretch = 6;
using JointParameters = Eigen::Matrix<double, kJointParameters, 1>;
using JointFit = curve::LeastSquaresFit<kJointParameters>;

struct JointPriors {
  double lopsidedness = 0.045;
  double drift = 1;         // standard deviation, scaled units over all frames
  double taken_up = 0.289;  // about a half: the standard deviation of even odds from 0 to 1
  double stretch = 0.02;
};

class JointResiduals {
 public:
  static constexpr int kParameters = kJointParameters;
  static constexpr int kPriors = 4;
  // `robust`: residuals r become sign(r) sqrt(nu ln(1 + r^2 / nu)), Student's t in place of a
  // normal distribution, nu = 4.
  JointResiduals(const JointSamples& samples, const PlayHypothesis& hypothesis, double width,
                 const curve::Shape& shape, const JointPriors& priors, bool robust);
  [[nodiscard]] int count() const { return static_cast<int>(samples_.count()) + kPriors; }
  void evaluate(const double* p, double* residuals, double* jacobian) const;

 private:
  const JointSamples& samples_;
  const PlayHypothesis& hypothesis_;
  double width_;
  const curve::Shape& shape_;
  JointPriors priors_;
  bool robust_;
  std::optional<Places> places_;  // where no parameter changes them
};

// Size and relative change with the seeing at point i.
struct JointValue {
  double size;
  double seeing_share;
};
JointValue joint_value(const JointSamples& samples, const Places& places, const curve::Shape& shape,
                       const JointParameters& p, std::size_t i);

}  // namespace starwaist::advice
