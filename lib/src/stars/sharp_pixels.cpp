#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "core/parallel.h"
#include "stars/site_skies.h"
#include "starwaist/stars.h"

namespace starwaist {
namespace {

constexpr double kSharpSnr = 4.0;
constexpr double kSpillSnr = 1.5;  // of a neighbour: in most of a run's frames no chance
constexpr int kRows = 64;          // worked on at a time

// Rows of a frame with a rim of as many as a pixel's surroundings reach.
class RimmedRows {
 public:
  RimmedRows(const Frame& frame, int begin, int end, int rim)
      : first_(std::max(0, begin - rim)), width_(frame.pixels.width_px()) {
    const int last = std::min(frame.pixels.height_px(), end + rim);
    values_.resize(static_cast<std::size_t>(last - first_) * static_cast<std::size_t>(width_));
    for (int y = first_; y < last; ++y) {
      frame.pixels.read_row(
          y, 0, std::span(values_).subspan(index(0, y), static_cast<std::size_t>(width_)));
    }
  }
  [[nodiscard]] float at(int x, int y) const { return values_[index(x, y)]; }

 private:
  [[nodiscard]] std::size_t index(int x, int y) const {
    return static_cast<std::size_t>(y - first_) * static_cast<std::size_t>(width_) +
           static_cast<std::size_t>(x);
  }
  int first_;
  int width_;
  std::vector<float> values_;
};

// How a pixel is compared with others: in steps to its like, over a square ring so many steps off.
struct Surroundings {
  int step = 1;
  int steps_off = 3;
  [[nodiscard]] int reach_px() const { return step * steps_off; }
};

class SharpRows {
 public:
  SharpRows(const Frame& frame, const stars::SiteSkies& skies, const Surroundings& around,
            int begin, int end)
      : skies_(skies),
        around_(around),
        width_(frame.pixels.width_px()),
        height_(frame.pixels.height_px()),
        begin_(begin),
        end_(end),
        rows_(frame, begin, end, around.reach_px() + around.step) {}

  [[nodiscard]] std::vector<SharpPixel> find() const {
    std::vector<SharpPixel> found;
    for (int y = begin_ - around_.step; y < end_ + around_.step; ++y) {
      for (int x = around_.reach_px(); x < width_ - around_.reach_px(); ++x) {
        if (!is_inside(x, y)) continue;
        const auto pixel = looked_at(x, y);
        if (!pixel || pixel->excess_adu < kSharpSnr * pixel->noise_adu) continue;
        for (int dy = -1; dy <= 1; ++dy) {
          for (int dx = -1; dx <= 1; ++dx)
            add_spill(x + dx * around_.step, y + dy * around_.step, found);
        }
      }
    }
    const auto before = [](const SharpPixel& a, const SharpPixel& b) {
      return a.y_px != b.y_px ? a.y_px < b.y_px : a.x_px < b.x_px;
    };
    std::sort(found.begin(), found.end(), before);
    const auto same = [](const SharpPixel& a, const SharpPixel& b) {
      return a.y_px == b.y_px && a.x_px == b.x_px;
    };
    found.erase(std::unique(found.begin(), found.end(), same), found.end());
    return found;
  }

 private:
  [[nodiscard]] bool is_inside(int x, int y) const {
    const int rim = around_.reach_px();
    return x >= rim && y >= rim && x < width_ - rim && y < height_ - rim;
  }

  void add_spill(int x, int y, std::vector<SharpPixel>& found) const {
    if (!is_inside(x, y) || y < begin_ || y >= end_) return;
    const auto pixel = looked_at(x, y, kSpillSnr);
    if (pixel && pixel->excess_adu >= kSpillSnr * pixel->noise_adu) found.push_back(*pixel);
  }

  // Absent where the pixel is no brighter than the sky.
  [[nodiscard]] std::optional<SharpPixel> looked_at(int x, int y, double snr = kSharpSnr) const {
    const stars::SiteSkies::Sky& sky = skies_.at(x, y);
    const float value = rows_.at(x, y);
    if (!(value - sky.level_adu > snr * sky.noise_adu)) return std::nullopt;
    std::array<float, 24> ring{};
    std::size_t count = 0;
    const int n = around_.steps_off;
    for (int k = -n; k < n; ++k) {
      const std::array<std::pair<int, int>, 4> sides = {std::pair{k, -n}, std::pair{n, k},
                                                        std::pair{-k, n}, std::pair{-n, -k}};
      for (const auto& [dx, dy] : sides) {
        const float v = rows_.at(x + dx * around_.step, y + dy * around_.step);
        if (std::isfinite(v)) ring[count++] = v;
      }
    }
    if (count < 8) return std::nullopt;
    const auto end = ring.begin() + static_cast<std::ptrdiff_t>(count);
    std::sort(ring.begin(), end);
    const float middle = ring[count / 2];
    const float low =
        ring[static_cast<std::size_t>(numerics::kOneSigmaBelow * static_cast<double>(count))];
    return SharpPixel{x, y, value - middle, std::max(sky.noise_adu, middle - low)};
  }

  const stars::SiteSkies& skies_;
  Surroundings around_;
  int width_;
  int height_;
  int begin_;
  int end_;
  RimmedRows rows_;
};

Surroundings surroundings_of(const Frame& frame) {
  return frame.facts.bayer ? Surroundings{2, 2} : Surroundings{1, 3};
}

}  // namespace

std::vector<SharpPixel> sharp_pixels(const Frame& frame, int threads) {
  const int height = frame.pixels.height_px();
  const Surroundings around = surroundings_of(frame);
  if (height <= 2 * around.reach_px() || frame.pixels.width_px() <= 2 * around.reach_px())
    return {};
  const int used = core::thread_count(threads);
  const stars::SiteSkies skies(frame, used);
  std::vector<std::vector<SharpPixel>> of_strip(
      static_cast<std::size_t>((height + kRows - 1) / kRows));
  core::parallel_for(of_strip.size(), used, [&](std::size_t i) {
    const int begin = static_cast<int>(i) * kRows;
    of_strip[i] = SharpRows(frame, skies, around, begin, std::min(height, begin + kRows)).find();
  });
  std::vector<SharpPixel> all;
  for (const auto& some : of_strip) all.insert(all.end(), some.begin(), some.end());
  return all;
}

}  // namespace starwaist
