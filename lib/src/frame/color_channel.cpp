#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <span>
#include <utility>
#include <vector>

#include "starwaist/frame.h"

namespace starwaist {

namespace {

// Index mirrored at the first and last pixel's centre, which keeps its parity and so its colour.
int mirrored(int index, int length) {
  if (index < 0) index = -index;
  if (index >= length) index = 2 * (length - 1) - index;
  return index;
}

// A full-resolution plane in which sites of other colours are to be filled in.
class Plane {
 public:
  explicit Plane(const PixelBuffer& pixels)
      : width_(pixels.width_px()),
        height_(pixels.height_px()),
        values_(static_cast<std::size_t>(width_) * static_cast<std::size_t>(height_)) {
    for (int y = 0; y < height_; ++y) pixels.read_row(y, 0, row(y));
  }

  std::span<float> row(int y) {
    return std::span<float>(values_).subspan(
        static_cast<std::size_t>(y) * static_cast<std::size_t>(width_),
        static_cast<std::size_t>(width_));
  }
  float& at(int x, int y) { return row(y)[static_cast<std::size_t>(x)]; }
  float mirrored_at(int x, int y) { return at(mirrored(x, width_), mirrored(y, height_)); }
  [[nodiscard]] int width() const { return width_; }
  [[nodiscard]] int height() const { return height_; }
  std::vector<float> take() { return std::move(values_); }

 private:
  int width_;
  int height_;
  std::vector<float> values_;
};

float mean_of_finite(std::span<const float> values) {
  float sum = 0;
  int count = 0;
  for (const float value : values) {
    if (!std::isfinite(value)) continue;
    sum += value;
    ++count;
  }
  return count > 0 ? sum / static_cast<float>(count) : std::numeric_limits<float>::quiet_NaN();
}

// Green at a site of another colour. Weights sum to 4 * 10/32 - 8 * 1/32 = 1, and their second
// moment 4 * 10/32 * 1 - 8 * 1/32 * 5 = 0. Where a far neighbour is unknown the near ones serve
// alone.
float green_between(Plane& plane, int x, int y) {
  constexpr float kNear = 10.0F / 32.0F;
  constexpr float kFar = 1.0F / 32.0F;
  const std::array<float, 4> near = {plane.mirrored_at(x - 1, y), plane.mirrored_at(x + 1, y),
                                     plane.mirrored_at(x, y - 1), plane.mirrored_at(x, y + 1)};
  float far_sum = 0;
  for (const int sign_x : {-1, 1}) {
    for (const int sign_y : {-1, 1}) {
      far_sum += plane.mirrored_at(x + sign_x, y + 2 * sign_y);
      far_sum += plane.mirrored_at(x + 2 * sign_x, y + sign_y);
    }
  }
  const float value = kNear * (near[0] + near[1] + near[2] + near[3]) - kFar * far_sum;
  return std::isfinite(value) ? value : mean_of_finite(near);
}

// Midway between four samples in a line: (-1 9 9 -1) / 16, second moment of the full kernel 0.
float midway(float before, float left, float right, float after) {
  const float value = (9.0F * (left + right) - (before + after)) / 16.0F;
  if (std::isfinite(value)) return value;
  const std::array<float, 2> near = {left, right};
  return mean_of_finite(near);
}

// The same for a whole row at once, away from the edges: values at the green sites mean nothing.
void green_row(Plane& plane, int y, std::span<float> out) {
  constexpr float kNear = 10.0F / 32.0F;
  constexpr float kFar = 1.0F / 32.0F;
  const float* above2 = plane.row(y - 2).data();
  const float* above = plane.row(y - 1).data();
  const float* here = plane.row(y).data();
  const float* below = plane.row(y + 1).data();
  const float* below2 = plane.row(y + 2).data();
  for (int x = 2; x + 2 < plane.width(); ++x) {
    const float near = here[x - 1] + here[x + 1] + above[x] + below[x];
    const float far = above2[x - 1] + above[x - 2] + below2[x - 1] + below[x - 2] + above2[x + 1] +
                      above[x + 2] + below2[x + 1] + below[x + 2];
    out[static_cast<std::size_t>(x)] = kNear * near - kFar * far;
  }
}

void fill_green(Plane& plane, const BayerTile& bayer) {
  std::vector<float> filled(static_cast<std::size_t>(plane.width()));
  for (int y = 0; y < plane.height(); ++y) {
    const bool inner_row = y >= 2 && y + 2 < plane.height();
    if (inner_row) green_row(plane, y, filled);
    // Sites of other colours stand at every second place. Writing in place is safe: only green
    // sites are read, only others written.
    const int first = bayer.tile[2 * (y % 2)] == ColorChannel::green ? 1 : 0;
    for (int x = first; x < plane.width(); x += 2) {
      const float value = filled[static_cast<std::size_t>(x)];
      const bool known = inner_row && x >= 2 && x + 2 < plane.width() && std::isfinite(value);
      plane.at(x, y) = known ? value : green_between(plane, x, y);
    }
  }
}

// Sites at (first_x + 2 i, first_y + 2 j): first along the rows that hold them, then down columns.
void fill_quarter(Plane& plane, int first_x, int first_y) {
  for (int y = first_y; y < plane.height(); y += 2) {
    for (int x = 1 - first_x; x < plane.width(); x += 2) {
      plane.at(x, y) = midway(plane.mirrored_at(x - 3, y), plane.mirrored_at(x - 1, y),
                              plane.mirrored_at(x + 1, y), plane.mirrored_at(x + 3, y));
    }
  }
  for (int y = 1 - first_y; y < plane.height(); y += 2) {
    for (int x = 0; x < plane.width(); ++x) {
      plane.at(x, y) = midway(plane.mirrored_at(x, y - 3), plane.mirrored_at(x, y - 1),
                              plane.mirrored_at(x, y + 1), plane.mirrored_at(x, y + 3));
    }
  }
}

}  // namespace

Frame color_channel(Frame frame, ColorChannel channel) {
  constexpr int kSmallest = 4;  // the kernels reach 3 px beyond the edge, mirrored
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  if (!frame.facts.bayer || width < kSmallest || height < kSmallest) return frame;
  const BayerTile bayer = *frame.facts.bayer;

  Plane plane(frame.pixels);
  frame.pixels = PixelBuffer();  // two planes at a time are enough
  if (channel == ColorChannel::green) {
    fill_green(plane, bayer);
    frame.sample_fraction = 0.5;
  } else {
    for (int site = 0; site < 4; ++site) {
      if (bayer.tile[site] == channel) fill_quarter(plane, site % 2, site / 2);
    }
    frame.sample_fraction = 0.25;
  }
  for (std::size_t site = 0; site < 4; ++site) frame.own_sites[site] = bayer.tile[site] == channel;
  frame.pixels = PixelBuffer(width, height, plane.take());
  frame.facts.bayer.reset();  // no longer a mosaic
  return frame;
}

}  // namespace starwaist
