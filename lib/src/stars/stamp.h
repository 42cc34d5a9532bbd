// What is known of a frame while its stars are measured, and square cut-outs of its pixels.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <limits>
#include <optional>
#include <vector>

#include "stars/background.h"
#include "starwaist/frame.h"

namespace starwaist::stars {

struct Centre {
  double x_px = 0;
  double y_px = 0;
};

struct FrameContext {
  const Frame* frame = nullptr;
  const SkyMap* sky = nullptr;
  std::optional<double> gain_e_per_adu;
  double saturation_adu = std::numeric_limits<double>::infinity();  // raw pixel
  double halo_px = 0;  // of diffraction; 0 where it is not known
};

// Pixels of a square cut-out, background subtracted. Pixel (0, 0) of the stamp is pixel
// (x_begin_px, y_begin_px) of the frame. A pixel without a value or outside the frame is NaN.
struct Stamp {
  int x_begin_px = 0;
  int y_begin_px = 0;
  int width_px = 0;
  int height_px = 0;
  std::vector<float> pixels;
  // Sites of a 2 x 2 tile, numbered from the stamp's first pixel, that hold samples of their own;
  // the others are filled in (Frame::own_sites).
  std::array<bool, 4> own_sites = {true, true, true, true};

  [[nodiscard]] bool is_own(int x, int y) const {
    return own_sites[2 * static_cast<std::size_t>(y & 1) + static_cast<std::size_t>(x & 1)];
  }
  // Of the pixels, how many are a site's own: 1, 1/2 or 1/4.
  [[nodiscard]] double own_share() const {
    return 0.25 * static_cast<double>(std::count(own_sites.begin(), own_sites.end(), true));
  }
  [[nodiscard]] float at(int x, int y) const { return row(y)[x]; }
  [[nodiscard]] const float* row(int y) const {
    return pixels.data() + static_cast<std::ptrdiff_t>(y) * width_px;
  }
};

// The mesh's level taken off, hot pixels replaced by their neighbours' mean. The stamp reaches two
// pixels further than `radius_px`.
Stamp cut_stamp(const FrameContext& context, Centre centre, double radius_px);

// Variance of one independent pixel of sky: a mosaic's filled-in pixels repeat their neighbours'
// noise.
double pixel_variance(const FrameContext& context, Centre centre);

}  // namespace starwaist::stars
