#include "stars/summary.h"

#include <algorithm>
#include <cmath>

#include "starwaist/statistics.h"

namespace starwaist::stars {

ClippedMean clipped_mean(std::span<const double> values, double least_spread) {
  const double centre = median(values);
  ClippedMean mean;
  mean.spread = std::max({least_spread, robust_sigma(values), 1e-12});
  double sum = 0;
  for (const double v : values) {
    if (std::abs(v - centre) > 3 * mean.spread) continue;
    sum += v;
    ++mean.count;
  }
  mean.value = mean.count > 0 ? sum / static_cast<double>(mean.count) : centre;
  return mean;
}

std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas) {
  if (values.empty()) return std::nullopt;
  if (values.size() == 1) return RobustMean{values[0], sigmas[0], 1};
  constexpr double kHuber = 1.345;
  constexpr double kFarthestScales = 4.0;
  const double start = median(values);
  // Scatter beyond the values' own sigmas, both as robust medians.
  std::vector<double> square_sigma(sigmas.size());
  std::transform(sigmas.begin(), sigmas.end(), square_sigma.begin(),
                 [](double s) { return s * s; });
  const double spread = robust_sigma(values);
  const double tau2 = std::max(0.0, spread * spread - median(square_sigma));

  double value = start;
  double sigma = 0;
  std::size_t count = 0;
  for (int round = 0; round < 30; ++round) {
    double sum_w = 0;
    double sum_wv = 0;
    double sum_w2r2 = 0;
    count = 0;
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double variance = square_sigma[i] + tau2;
      const double scale = std::sqrt(variance);
      const double z = std::abs(values[i] - value) / scale;
      if (std::abs(values[i] - start) > kFarthestScales * std::max(scale, spread)) continue;
      const double w = (z > kHuber ? kHuber / z : 1.0) / variance;
      sum_w += w;
      sum_wv += w * values[i];
      sum_w2r2 += w * w * (values[i] - value) * (values[i] - value);
      ++count;
    }
    if (!(sum_w > 0)) return RobustMean{start, spread / std::sqrt(values.size()), values.size()};
    const double next = sum_wv / sum_w;
    // The sandwich estimate with its small-sample factor, never below what the sigmas promise.
    const auto n = static_cast<double>(count);
    const double sandwich = n > 1 ? std::sqrt(sum_w2r2 * n / (n - 1)) / sum_w : 0.0;
    sigma = std::max(sandwich, 1.0 / std::sqrt(sum_w));
    const bool settled = std::abs(next - value) < 1e-9 * std::max(1.0, std::abs(next));
    value = next;
    if (settled) break;
  }
  return RobustMean{value, sigma, count};
}

}  // namespace starwaist::stars
