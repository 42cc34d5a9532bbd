// Single pixels that stand out of their neighbours more than any star could.
#pragma once

#include <algorithm>
#include <cstddef>

namespace starwaist::stars {

// The eight pixels round one, all above the sky.
struct Around {
  float left, right, above, below;
  float above_left, above_right, below_left, below_right;

  [[nodiscard]] float nearest() const { return std::max({left, right, above, below}); }
  [[nodiscard]] float corner() const {
    return std::max({above_left, above_right, below_left, below_right});
  }
  [[nodiscard]] float corners() const {
    return (above_left + above_right) + (below_left + below_right);
  }
};

// True where `value` cannot be a star's peak: at one pixel half-flux radius, the sharpest star
// measured here, a centred star keeps half of its peak in the four nearest. A third is below that;
// the allowance is for the noise of the neighbours.
inline bool is_hot_pixel(float value, const Around& around, double noise) {
  const double most = value / 3.0 - 2.0 * noise;
  return around.nearest() < most && around.corner() < most;
}

// True for a hot pixel with warm ones beside it, and for one of a hot column. A star is about the
// product of its profiles along rows and columns: where the nearest pixels are bright, so are the
// corners between them; and one that is bright on one side alone, centred between two pixels, keeps
// a sixth of its peak across down to 0.6 px half-flux radius.
inline bool is_hot_cluster(float value, const Around& a, double noise) {
  const double most = value / 6.0 - 2.0 * noise;
  const float across = std::min(std::max(a.left, a.right), std::max(a.above, a.below));
  if (across < most && a.corner() < most) return true;
  const auto positive = [](float v) { return std::max(v, 0.0F); };
  const double product = (static_cast<double>(positive(a.left)) + positive(a.right)) *
                         (positive(a.above) + positive(a.below)) / value;
  return value >= a.nearest() && product > 10 * noise && a.corners() < 0.35 * product;
}

// Calls found(x, y) for each hot pixel of an image above the sky and puts the mean of its four
// corners in its place, and in that of warm ones beside it. Only pixels above `floor_adu` are
// looked at; noise_at(x, y) is the sky's noise there. Border pixels are left alone.
template <class NoiseAt, class Found>
void repair_hot_pixels(float* pixels, int width, int height, double floor_adu, NoiseAt&& noise_at,
                       Found&& found) {
  const auto floor = static_cast<float>(floor_adu);
  const auto repaired = [&](int x, int y) {
    if (x < 1 || y < 1 || x + 1 >= width || y + 1 >= height) return false;
    float* here = pixels + static_cast<std::ptrdiff_t>(y) * width + x;
    float* up = here - width;
    float* down = here + width;
    const float v = *here;
    if (!(v > floor)) return false;
    const Around around{here[-1], here[1], *up, *down, up[-1], up[1], down[-1], down[1]};
    if (!(around.corner() < 0.5F * v)) return false;
    const double noise = noise_at(x, y);
    if (!is_hot_pixel(v, around, noise) && !is_hot_cluster(v, around, noise)) return false;
    const float level = 0.25F * around.corners();
    const float warm = floor + 2 * std::max(around.corner(), 0.0F);  // no star is so uneven
    *here = level;
    for (float* beside : {here - 1, here + 1, up, down}) {
      if (*beside > warm) *beside = level;
    }
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
