// What one fit says about best focus: a Student distribution over the signed root of its profile.
//
// The root is tau(t) = sign(t - t_hat) sqrt((S(t) - S_min) / s^2) with S(t) the smallest sum of
// squares when t0 is held at t; |tau| = Student's quantile at the limits of the profile-likelihood
// interval (Bates & Watts 1988, chapter 6, from memory). A root that never reaches the quantile is
// an open interval: the data locate no minimum on that side.
#pragma once

#include <vector>

#include "curve/parabola.h"
#include "curve/shape_fit.h"

namespace starwaist::curve {

struct Knot {
  double t;
  double root;
};

// A minimum farther than this from the centre of the sweep (in half ranges) is nowhere.
inline constexpr double kFarthestMinimum = 60;

// A weighted part of the answer.
struct Component {
  double weight = 1;
  double say = 1;     // in where best focus is put, beside the weight; not in the intervals
  double centre = 0;  // t of the minimum
  double scale = 0;   // standard error of it, in t
  double degrees_of_freedom = 1;
  // Rising in t; straight between and beyond, except that an open side stays at its last root.
  std::vector<Knot> knots;
  bool open_low = false;
  bool open_high = false;

  // False where the arithmetic gave no distribution (a curve without slope or curvature).
  [[nodiscard]] bool sound() const;
  [[nodiscard]] double root(double t) const;
  [[nodiscard]] double cdf(double t) const;
};

// Probabilities at which knots are laid, so that a single fit's 68 % and 95 % limits are exact.
inline constexpr double kTail68 = 0.8413447460685429;  // Phi(1)
inline constexpr double kTail95 = 0.975;

// From the profile of a shape. `variance` is that of one weighted residual.
Component shape_component(ShapeFitter& fitter, const Samples& samples, const ShapeFit& fit,
                          double variance, double degrees_of_freedom);
// The same without the profile: a straight root. For parts of little weight.
Component straight_component(double centre, double scale, double degrees_of_freedom);
Component parabola_component(const ParabolaFit& fit, double variance, double degrees_of_freedom);

// Degrees of freedom of a variance that is `ratio` times its part with `degrees`, the rest of it
// known (Satterthwaite 1946, from memory); whole so that Student's closed form serves.
double degrees_of_sum(double degrees, double ratio);
// With an independent normal error of that standard deviation (in t) added: every place of a root r
// moves away from the centre as r standard errors added in quadrature do, with the degrees of
// freedom of the sum.
Component widened(Component part, double sigma);

// Student's quantile; those that knots are laid at are looked up.
double knot_quantile(double probability, double degrees_of_freedom);

}  // namespace starwaist::curve
