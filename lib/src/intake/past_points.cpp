#include "intake/past_points.h"

namespace starwaist {

std::optional<double> intake_detail::mean_temperature_c(const std::vector<LedgerPoint>& points) {
  double sum = 0;
  int count = 0;
  for (const LedgerPoint& point : points) {
    if (!point.temperature_c) continue;
    sum += *point.temperature_c;
    ++count;
  }
  return count > 0 ? std::optional(sum / count) : std::nullopt;
}

}  // namespace starwaist
