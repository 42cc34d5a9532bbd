#include "numerics/robust.h"

#include <algorithm>
#include <vector>

#include "starwaist/statistics.h"

namespace starwaist::numerics {

double sigma_of_distances(std::span<const double> distances) {
  return kSigmaOfMad * median(distances);
}

double variance_beyond(double spread, std::span<const double> own_variances, double allowed) {
  return std::max(0.0, spread * spread - allowed * median(own_variances));
}

std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas) {
  if (values.empty()) return std::nullopt;
  if (values.size() == 1) return RobustMean{values[0], sigmas[0], 1};
  constexpr double kFarthestScales = 4.0;
  constexpr int kMostRounds = 30;
  const double start = median(values);
  std::vector<double> variances(sigmas.size());
  std::transform(sigmas.begin(), sigmas.end(), variances.begin(), [](double s) { return s * s; });
  const double spread = robust_sigma(values);
  const double tau2 = variance_beyond(spread, variances);

  RobustMean mean{start, 0, 0};
  for (int round = 0; round < kMostRounds; ++round) {
    RobustSums sums;
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double variance = variances[i] + tau2;
      const double scale = std::sqrt(variance);
      const double residual = values[i] - mean.value;
      if (std::abs(values[i] - start) > kFarthestScales * std::max(scale, spread)) continue;
      sums.add(huber_weight(residual / scale) / variance, values[i], residual);
    }
    if (sums.empty()) return RobustMean{start, spread / std::sqrt(values.size()), values.size()};
    const double before = mean.value;
    mean = {sums.mean(), sums.sigma(), sums.count()};
    if (std::abs(mean.value - before) < 1e-9 * std::max(1.0, std::abs(mean.value))) break;
  }
  return mean;
}

}  // namespace starwaist::numerics
