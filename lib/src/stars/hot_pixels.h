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

// Pixels of a row that are looked at as a whole first: nearly all lie below the floor.
inline constexpr int kHotBlockPx = 32;

// Calls found(x, y) for each hot pixel of row y and puts the mean of its four corners in its place,
// and in that of warm ones beside it; changes rows y - 2 to y + 1 at most. row_of(y) is a row's
// first pixel. level_at(x) is the sky's level near there, the same for a block; only pixels
// `floor_adu` above it are looked at; noise_at(x, y) is the sky's noise. Border pixels are left
// alone.
template <class RowOf, class LevelAt, class NoiseAt, class Found>
void repair_hot_row(RowOf&& row_of, int width, int height, int y, double floor_adu,
                    LevelAt&& level_at, NoiseAt&& noise_at, Found&& found) {
  if (y < 1 || y + 1 >= height) return;
  const auto floor = static_cast<float>(floor_adu);
  const auto repaired = [&](int px, int py) {
    if (px < 1 || py < 1 || px + 1 >= width || py + 1 >= height) return false;
    float* here = row_of(py) + px;
    const float sky = level_at(px);
    const float v = *here - sky;
    if (!(v > floor)) return false;
    float* up = row_of(py - 1) + px;
    float* down = row_of(py + 1) + px;
    const Around around{here[-1] - sky, here[1] - sky, *up - sky,      *down - sky,
                        up[-1] - sky,   up[1] - sky,   down[-1] - sky, down[1] - sky};
    if (!(around.corner() < 0.5F * v)) return false;
    const double noise = noise_at(px, py);
    if (!is_hot_pixel(v, around, noise) && !is_hot_cluster(v, around, noise)) return false;
    const float level = 0.25F * around.corners() + sky;
    const float warm = floor + 2 * std::max(around.corner(), 0.0F) + sky;  // no star is so uneven
    *here = level;
    for (float* beside : {here - 1, here + 1, up, down}) {
      if (*beside > warm) *beside = level;
    }
    found(px, py);
    return true;
  };
  const float* here = row_of(y);
  for (int begin = 1; begin + 1 < width; begin += kHotBlockPx) {
    const int end = std::min(begin + kHotBlockPx, width - 1);
    const float lowest = floor + level_at(begin);
    int bright = 0;
    for (int x = begin; x < end; ++x) bright += here[x] > lowest ? 1 : 0;
    if (bright == 0) continue;
    for (int x = begin; x < end; ++x) {
      if (!repaired(x, y)) continue;
      // Those that were passed while this one outshone them; the others come later.
      repaired(x - 1, y);
      for (int k = x - 1; k <= x + 1; ++k) repaired(k, y - 1);
    }
  }
}

}  // namespace starwaist::stars
