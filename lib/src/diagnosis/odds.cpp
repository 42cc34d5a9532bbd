#include <cmath>

#include "diagnosis/cause.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {

double sigmas_of_chance(double chance, int sides) {
  return chance < 1e-15 ? 8.0 : -normal_quantile(chance / sides);
}

double log_ratio_of_sigmas(double sigmas, double looks, double spread) {
  // A normal prior of standard deviation `spread` for the effect, in units of its error: the
  // marginal likelihood's ratio is exp(z^2 / 2 * s^2 / (1 + s^2)) / sqrt(1 + s^2).
  const double s2 = spread * spread;
  return 0.5 * sigmas * sigmas * s2 / (1 + s2) - 0.5 * std::log1p(s2) - std::log(looks);
}

}  // namespace starwaist::diagnosis
