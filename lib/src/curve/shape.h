// The shape of a focus curve: size = H0 h(u), u = k (x - x0) / H0, h(0) = 1, h'(u) -> +-1 far out.
//
// Written as h^2 = u^2 + g(u): g = 1 is the hyperbola (variances add); the half-flux radius of a
// defocused star has a g that falls away from focus (tabulated), so that the hyperbola is too high
// by up to 6 % near u = 1.
#pragma once

#include <array>
#include <cmath>

#include "starwaist/seeing.h"

namespace starwaist::curve {

struct ShapeValue {
  double h;
  double slope;  // dh / du
};

// The shape with its arms moved together against its core; see shape_fit.h.
struct LopsidedValue {
  double h;
  double slope;  // dh / du
  double by_a;   // dh / da
};

class Shape {
 public:
  static Shape hyperbola() { return {}; }
  // Half-flux radius of a pupil's annulus (linear obstruction 0 to 0.6, beyond as at 0.6) convolved
  // with the seeing. Moffat's profile, of which there is no table, counts as Kolmogorov's.
  static Shape blur(SeeingProfile profile, double obstruction);

  [[nodiscard]] ShapeValue at(double u) const {
    if (!tabulated_) {
      const double h = std::sqrt(1 + u * u);
      return {h, u / h};
    }
    return tabulated(u);
  }

  // h(u + a q(u)) with q = 1 - 1 / sqrt(1 + u^2): the minimum stays at u = 0.
  [[nodiscard]] LopsidedValue at(double u, double a) const {
    const double inverse = 1 / std::sqrt(1 + u * u);
    const double q = 1 - inverse;
    const ShapeValue v = at(u + a * q);
    return {v.h, v.slope * (1 + a * u * inverse * inverse * inverse), v.slope * q};
  }

 private:
  static constexpr int kNodes = 28;
  [[nodiscard]] ShapeValue tabulated(double u) const;

  bool tabulated_ = false;
  std::array<double, kNodes> g_{};        // at |u| / (|u| + scale) = step i
  std::array<double, kNodes> tangent_{};  // dg per step
};

// d ln H / d ln s with s the width of the seeing (H0 grows with s, the blur does not): how strongly
// a point feels the seeing. 1 / (1 + u^2) for the hyperbola.
template <class Value>
double seeing_share(const Value& value, double u) {
  return (value.h - u * value.slope) / value.h;
}

}  // namespace starwaist::curve
