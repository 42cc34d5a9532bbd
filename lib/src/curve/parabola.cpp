#include "curve/parabola.h"

#include <cmath>

namespace starwaist::curve {

std::pair<double, double> parabola_root(const ParabolaFit& fit, double variance, double t) {
  const auto& c = fit.unscaled_covariance;
  const double slope = fit.parameters[1] + 2 * fit.parameters[2] * t;
  const double spread = variance * (c(1, 1) + 4 * t * c(1, 2) + 4 * t * t * c(2, 2));
  const double half_change = variance * (2 * c(1, 2) + 4 * t * c(2, 2));
  const double root = slope / std::sqrt(spread);
  return {root, 2 * fit.parameters[2] / std::sqrt(spread) - root * half_change / spread};
}

}  // namespace starwaist::curve
