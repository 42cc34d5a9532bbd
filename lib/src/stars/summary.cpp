#include "stars/summary.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "stars/line.h"
#include "starwaist/statistics.h"

namespace starwaist::stars {

namespace {

// The upper of the middle two for an even count, to `tolerance` above it: by halving, since to
// count is quicker than to put in order. Precondition: not empty, all finite.
float upper_median(std::span<const float> values, float tolerance) {
  const auto [least, most] = std::minmax_element(values.begin(), values.end());
  float low = *least;
  float high = *most;
  while (high - low > tolerance) {
    const float middle = low + 0.5F * (high - low);
    if (!(middle > low && middle < high)) break;  // neighbours among floats
    int above = 0;
    for (const float value : values) above += value > middle ? 1 : 0;
    (2 * static_cast<std::size_t>(above) < values.size() ? high : low) = middle;
  }
  return high;
}

}  // namespace

ClippedMean clipped_mean(std::span<const float> values, double least_spread) {
  constexpr double kGaussianFactor = 1.4826022;  // 1 / Phi^-1(3/4)
  // Where to clip need not be known as well as the mean: some of many values tell it.
  constexpr std::size_t kEnough = 150;
  const std::size_t step = std::max<std::size_t>(1, values.size() / kEnough);
  std::vector<float> some;
  some.reserve(values.size() / step + 1);
  for (std::size_t i = 0; i < values.size(); i += step) some.push_back(values[i]);
  const auto tolerance = static_cast<float>(std::max(1e-3 * least_spread, 1e-12));
  const float centre = upper_median(some, tolerance);
  for (float& v : some) v = std::abs(v - centre);
  ClippedMean mean;
  mean.spread = std::max({least_spread, kGaussianFactor * upper_median(some, tolerance), 1e-12});
  const auto reach = static_cast<float>(3 * mean.spread);
  double sum = 0;
  int count = 0;
#pragma omp simd reduction(+ : sum, count)
  for (std::size_t i = 0; i < values.size(); ++i) {
    const float v = values[i];
    const bool kept = std::abs(v - centre) <= reach;
    sum += kept ? v - centre : 0.0F;
    count += kept ? 1 : 0;
  }
  mean.count = static_cast<std::size_t>(count);
  mean.value = count > 0 ? centre + sum / count : centre;
  return mean;
}

std::optional<RobustMean> robust_mean(std::span<const double> values,
                                      std::span<const double> sigmas) {
  if (values.empty()) return std::nullopt;
  if (values.size() == 1) return RobustMean{values[0], sigmas[0], 1};
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
      const double w = huber_weight(z) / variance;
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
