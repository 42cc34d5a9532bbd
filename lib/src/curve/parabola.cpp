#include "curve/parabola.h"

#include <cmath>

namespace starwaist::curve {

double parabola_root(const ParabolaFit& fit, double variance, double t) {
  const auto& c = fit.unscaled_covariance;
  const double slope = fit.parameters[1] + 2 * fit.parameters[2] * t;
  const double slope_variance = variance * (c(1, 1) + 4 * t * c(1, 2) + 4 * t * t * c(2, 2));
  return slope / std::sqrt(slope_variance);
}

}  // namespace starwaist::curve
