// What a shadow off centre does to the third moment E[|r|^2 r] of a donut about its centroid, to
// the first order of the offset. Own derivations.
#pragma once

namespace starwaist {

// Third moment of a donut of outer radius 1 for a shadow offset of 1 by coma (own derivation from
// the ray sum; opposite to the shadow's direction).
inline double skewness_per_offset(double obstruction) {
  const double e2 = obstruction * obstruction;
  return (5 * (1 + e2 + e2 * e2) / 3 - (1 + e2) * (1 + e2)) / (2 * (1 - e2));
}

// The same for a shadow that is displaced, over that of coma: e^2 / (1 - e^2), the light that the
// hole lacks less what the centroid moves by. It has the other sign.
inline double displaced_over_coma(double obstruction) {
  const double e2 = obstruction * obstruction;
  return e2 / (1 - e2) / skewness_per_offset(obstruction);
}

}  // namespace starwaist
