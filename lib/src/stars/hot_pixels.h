// Single pixels that stand out of their neighbours more than any star could.
#pragma once

#include <algorithm>
#include <cstddef>

namespace starwaist::stars {

// True where `value` cannot be a star's peak among its eight neighbours (all above the sky): at one
// pixel half-flux radius, the sharpest star measured here, a centred star keeps half of its peak in
// the four nearest. A third is below that; the allowance is for the noise of the neighbours.
inline bool is_defect(float value, float nearest_max, float all_max, double noise) {
  const double allowance = 2.0 * noise;
  return nearest_max < value / 3.0 - allowance && all_max < value / 3.0 - allowance;
}

// Mean of the middle two of four: one bright neighbour does not count.
inline float middle_of_four(float a, float b, float c, float d) {
  const float lowest = std::min({a, b, c, d});
  const float highest = std::max({a, b, c, d});
  return 0.5F * (((a + b) + (c + d)) - (lowest + highest));
}

// Calls found(x, y) for each hot pixel of an image above the sky and puts what its nearest
// neighbours have in its place. A warm pixel beside a hot one, which hides it, is looked at again
// once that one is gone. Only pixels above `floor_adu` are looked at; noise_at(x, y) is the sky's
// noise there. Border pixels are left alone.
template <class NoiseAt, class Found>
void repair_hot_pixels(float* pixels, int width, int height, double floor_adu, NoiseAt&& noise_at,
                       Found&& found) {
  const auto floor = static_cast<float>(floor_adu);
  const auto repaired = [&](int x, int y) {
    if (x < 1 || y < 1 || x + 1 >= width || y + 1 >= height) return false;
    float* here = pixels + static_cast<std::ptrdiff_t>(y) * width;
    const float* above = here - width;
    const float* below = here + width;
    const float v = here[x];
    if (!(v > floor)) return false;
    const float nearest = std::max({here[x - 1], here[x + 1], above[x], below[x]});
    if (!(nearest < 0.5F * v)) return false;
    const float all = std::max({nearest, above[x - 1], above[x + 1], below[x - 1], below[x + 1]});
    if (!is_defect(v, nearest, all, noise_at(x, y))) return false;
    here[x] = middle_of_four(here[x - 1], here[x + 1], above[x], below[x]);
    found(x, y);
    return true;
  };
  constexpr int kBlock = 32;  // looked at as a whole first: nearly all of them lie below the floor
  for (int y = 1; y + 1 < height; ++y) {
    const float* here = pixels + static_cast<std::ptrdiff_t>(y) * width;
    for (int begin = 1; begin + 1 < width; begin += kBlock) {
      const int end = std::min(begin + kBlock, width - 1);
      int bright = 0;
      for (int x = begin; x < end; ++x) bright += here[x] > floor ? 1 : 0;
      if (bright == 0) continue;
      for (int x = begin; x < end; ++x) {
        if (!repaired(x, y)) continue;
        // Those that were passed while this one outshone them; the others come later.
        repaired(x - 1, y);
        for (int k = x - 1; k <= x + 1; ++k) repaired(k, y - 1);
      }
    }
  }
}

}  // namespace starwaist::stars
