// Where something stands out of the sky: matched filters at scales a factor two apart.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

#include "stars/background.h"
#include "starwaist/frame.h"

namespace starwaist::stars {

// A local maximum of the smoothed frame at the scale where it stands out most.
struct Candidate {
  double x_px = 0;
  double y_px = 0;
  double snr = 0;  // smoothed value over its standard deviation: the matched filter's
  int level = 0;   // smoothing kernel's sigma is template_sigma_px(level)
};

// A pixel that stands out of its eight neighbours more than any star of this sampling could.
struct Defect {
  int x_px = 0;
  int y_px = 0;
};

struct Detection {
  std::vector<Candidate> candidates;  // falling snr, at all levels, not yet merged
  std::vector<Defect> defects;
};

constexpr int kDetectionLevels = 5;

// Standard deviation in pixels of the kernel at a level: 1.04 * 2^level. A Gaussian star of the
// same sigma (half-flux radius 1.177 sigma) is found with its full signal-to-noise; the levels
// reach from 1 px to rings of 25 px half-flux radius.
double template_sigma_px(int level);

// Single hot pixels are replaced by their neighbours before the smoothing, so that they neither
// pose as stars nor weigh on a faint ring around them.
Detection detect(const Frame& frame, const SkyMap& sky, double threshold_snr);

// Keeps the strongest of every group: candidates in falling snr, each removing the weaker ones
// within `reach` kernel sigmas of the wider of the two. Only levels first..last count.
std::vector<Candidate> merged(const std::vector<Candidate>& candidates, int first_level,
                              int last_level, double reach);

// Calls found(x, y) for each hot pixel of an image above the sky and puts the mean of its nearest
// neighbours in its place. Only pixels above `floor_adu` are looked at; noise_at(x, y) is the sky's
// noise there. Border pixels are left alone.
template <class NoiseAt, class Found>
void repair_hot_pixels(float* pixels, int width, int height, double floor_adu, NoiseAt&& noise_at,
                       Found&& found);

// True where `value` cannot be a star's peak among the eight `neighbours` (all above the sky): at
// one pixel half-flux radius, the sharpest star measured here, a centred star keeps half of its
// peak in the four nearest.
bool is_defect(float value, float nearest_max, float all_max, double noise);

template <class NoiseAt, class Found>
void repair_hot_pixels(float* pixels, int width, int height, double floor_adu, NoiseAt&& noise_at,
                       Found&& found) {
  for (int y = 1; y + 1 < height; ++y) {
    float* here = pixels + static_cast<std::ptrdiff_t>(y) * width;
    const float* above = here - width;
    const float* below = here + width;
    for (int x = 1; x + 1 < width; ++x) {
      const float v = here[x];
      if (!(v > floor_adu)) continue;
      const float nearest = std::max({here[x - 1], here[x + 1], above[x], below[x]});
      if (!(nearest < 0.5F * v)) continue;
      const float all = std::max({nearest, above[x - 1], above[x + 1], below[x - 1], below[x + 1]});
      if (!is_defect(v, nearest, all, noise_at(x, y))) continue;
      here[x] = 0.25F * (here[x - 1] + here[x + 1] + above[x] + below[x]);
      found(x, y);
    }
  }
}

}  // namespace starwaist::stars
