#include "numerics/log_sum.h"

#include <algorithm>

namespace starwaist::numerics {

double log_sum(std::span<const double> logs) {
  const double top = *std::max_element(logs.begin(), logs.end());
  if (!std::isfinite(top)) return top;
  double sum = 0;
  for (const double value : logs) sum += std::exp(value - top);
  return top + std::log(sum);
}

}  // namespace starwaist::numerics
