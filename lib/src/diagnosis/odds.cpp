#include <algorithm>
#include <cmath>

#include "diagnosis/cause.h"

namespace starwaist::diagnosis {

double log_odds_of(double probability) { return std::log(probability / (1 - probability)); }

double probability_of(double log_odds) { return 1 / (1 + std::exp(-log_odds)); }

double log_sum(double a, double b) {
  const double top = std::max(a, b);
  return std::isfinite(top) ? top + std::log(std::exp(a - top) + std::exp(b - top)) : top;
}

double log_ratio_of_sigmas(double sigmas, double looks, double spread) {
  // A normal prior of standard deviation `spread` for the effect, in units of its error: the
  // marginal likelihood's ratio is exp(z^2 / 2 * s^2 / (1 + s^2)) / sqrt(1 + s^2).
  const double s2 = spread * spread;
  return 0.5 * sigmas * sigmas * s2 / (1 + s2) - 0.5 * std::log1p(s2) - std::log(looks);
}

}  // namespace starwaist::diagnosis
