#include "stars/summary.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

#include "numerics/robust.h"

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
  // Where to clip need not be known as well as the mean: some of many values show it.
  constexpr std::size_t kEnough = 150;
  const std::size_t step = std::max<std::size_t>(1, values.size() / kEnough);
  std::vector<float> some;
  some.reserve(values.size() / step + 1);
  for (std::size_t i = 0; i < values.size(); i += step) some.push_back(values[i]);
  const auto tolerance = static_cast<float>(std::max(1e-3 * least_spread, 1e-12));
  const float centre = upper_median(some, tolerance);
  for (float& v : some) v = std::abs(v - centre);
  ClippedMean mean;
  mean.spread =
      std::max({least_spread, numerics::kSigmaOfMad * upper_median(some, tolerance), 1e-12});
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

}  // namespace starwaist::stars
