// The shape of a focus curve: size = H0 h(u), u = k (x - x0) / H0, h(0) = 1, h'(u) -> +-1 far out.
#pragma once

#include <cmath>

namespace starwaist::curve {

struct ShapeValue {
  double h;
  double slope;  // dh / du
};

// The hyperbola: variances add (h = sqrt(1 + u^2)).
inline ShapeValue hyperbola_shape(double u) {
  const double h = std::sqrt(1 + u * u);
  return {h, u / h};
}

// What a curve model is made of; more shapes come here.
struct Shape {
  [[nodiscard]] ShapeValue at(double u) const { return hyperbola_shape(u); }
};

// d ln H / d ln s with s the width of the seeing (H0 grows with s, the blur does not): how strongly
// a point feels the seeing. 1 / (1 + u^2) for the hyperbola.
inline double seeing_share(const ShapeValue& value, double u) {
  return (value.h - u * value.slope) / value.h;
}

}  // namespace starwaist::curve
