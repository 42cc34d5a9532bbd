#include "stars/defect_map.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <type_traits>
#include <unordered_map>
#include <utility>
#include <variant>
#include <vector>

namespace starwaist {
namespace {

// Excess of each pixel of a map in the making; groups are pixels that touch.
class Groups {
 public:
  Groups(int width_px, int height_px) : width_(width_px), height_(height_px) {}

  void add(std::int64_t key, float excess) {
    excess_[key] = excess;
    added_.push_back(key);
  }

  void add_changing(std::int64_t key, float excess) { changing_[key] = excess; }

  // Light that spreads over several pixels also lies, too faint to be seen, in those beside them.
  [[nodiscard]] DefectMap map(stars::Spread spread) {
    constexpr std::size_t kSpreads = 3;
    DefectMap map;
    map.width_px = width_;
    map.height_px = height_;
    std::vector<std::int64_t> pixels;
    for (const std::int64_t start : added_) {
      if (excess_.count(start) == 0) continue;
      std::vector<std::int64_t> group = taken_group(start, map.places);
      if (group.empty()) continue;
      if (spread == stars::Spread::further && group.size() >= kSpreads) widen(group);
      pixels.insert(pixels.end(), group.begin(), group.end());
    }
    std::sort(pixels.begin(), pixels.end());
    pixels.erase(std::unique(pixels.begin(), pixels.end()), pixels.end());
    for (const std::int64_t key : pixels) map.pixels.push_back(place(key));
    return map;
  }

 private:
  [[nodiscard]] PixelPlace place(std::int64_t key) const {
    return {static_cast<int>(key % width_), static_cast<int>(key / width_)};
  }

  template <class Visit>
  void for_each_beside(std::int64_t key, Visit&& visit) const {
    const PixelPlace at = place(key);
    for (int y = std::max(0, at.y_px - 1); y <= std::min(height_ - 1, at.y_px + 1); ++y) {
      for (int x = std::max(0, at.x_px - 1); x <= std::min(width_ - 1, at.x_px + 1); ++x) {
        visit(stars::pixel_number(x, y, width_));
      }
    }
  }

  // The pixels that touch `start` and each other, taken out; the brightest goes to `places`. Empty
  // for a flank.
  std::vector<std::int64_t> taken_group(std::int64_t start, std::vector<PixelPlace>& places) {
    std::vector<std::int64_t> group = {start};
    std::int64_t brightest = start;
    float most = excess_.at(start);
    float brightest_beside = 0;
    excess_.erase(start);
    for (std::size_t i = 0; i < group.size(); ++i) {
      for_each_beside(group[i], [&](std::int64_t key) {
        if (const auto other = changing_.find(key); other != changing_.end()) {
          brightest_beside = std::max(brightest_beside, other->second);
        }
        const auto found = excess_.find(key);
        if (found == excess_.end()) return;
        if (found->second > most) {
          most = found->second;
          brightest = key;
        }
        excess_.erase(found);
        group.push_back(key);
      });
    }
    if (brightest_beside > most) return {};
    places.push_back(place(brightest));
    return group;
  }

  void widen(std::vector<std::int64_t>& group) const {
    const std::size_t own = group.size();
    for (std::size_t i = 0; i < own; ++i) {
      for_each_beside(group[i], [&](std::int64_t key) { group.push_back(key); });
    }
  }

  int width_;
  int height_;
  std::unordered_map<std::int64_t, float> excess_;
  std::unordered_map<std::int64_t, float> changing_;
  std::vector<std::int64_t> added_;
};

// Mean of the nearest pixels that are good, by the inverse square of their distance.
template <class Stored>
std::optional<double> filled_in(const std::vector<Stored>& stored, const std::vector<bool>& bad,
                                int width, int height, const PixelPlace& at, int step) {
  constexpr int kFarthest = 8;
  constexpr int kEnough = 6;
  double sum = 0;
  double weights = 0;
  int count = 0;
  for (int reach = 1; reach <= kFarthest && count < kEnough; ++reach) {
    for (int dy = -reach; dy <= reach; ++dy) {
      for (int dx = -reach; dx <= reach; ++dx) {
        if (std::max(std::abs(dx), std::abs(dy)) != reach) continue;
        const int x = at.x_px + dx * step;
        const int y = at.y_px + dy * step;
        if (x < 0 || y < 0 || x >= width || y >= height) continue;
        const auto i = static_cast<std::size_t>(y) * static_cast<std::size_t>(width) +
                       static_cast<std::size_t>(x);
        const auto value = static_cast<double>(stored[i]);
        if (bad[i] || !std::isfinite(value)) continue;
        const double weight = 1.0 / (dx * dx + dy * dy);
        sum += weight * value;
        weights += weight;
        ++count;
      }
    }
  }
  if (count == 0) return std::nullopt;
  return sum / weights;
}

}  // namespace

DefectMap stars::grouped_map(std::span<const SharpPixel> pixels,
                             std::span<const SharpPixel> changing, int width_px, int height_px,
                             Spread spread) {
  Groups groups(width_px, height_px);
  const auto key = [width_px](const SharpPixel& p) {
    return pixel_number(p.x_px, p.y_px, width_px);
  };
  for (const SharpPixel& p : pixels) groups.add(key(p), p.excess_adu);
  for (const SharpPixel& p : changing) groups.add_changing(key(p), p.excess_adu);
  return groups.map(spread);
}

bool stars::has_work_in(const DefectMap& defects, const Frame& frame) {
  return defects.width_px == frame.pixels.width_px() &&
         defects.height_px == frame.pixels.height_px() && !defects.pixels.empty() &&
         frame.left_out.empty();
}

Frame without_defects(Frame frame, const DefectMap& defects) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  if (!stars::has_work_in(defects, frame)) return frame;
  const int step = frame.facts.bayer ? 2 : 1;
  std::vector<bool> bad(static_cast<std::size_t>(width) * static_cast<std::size_t>(height), false);
  const auto index = [width](const PixelPlace& p) {
    return static_cast<std::size_t>(stars::pixel_number(p.x_px, p.y_px, width));
  };
  for (const PixelPlace& p : defects.pixels) bad[index(p)] = true;
  PixelBuffer::Storage storage = frame.pixels.storage();
  std::visit(
      [&](auto& stored) {
        using Stored = typename std::decay_t<decltype(stored)>::value_type;
        for (const PixelPlace& p : defects.pixels) {
          const auto value = filled_in(stored, bad, width, height, p, step);
          if (!value) continue;
          stored[index(p)] = std::is_integral_v<Stored> ? static_cast<Stored>(std::lround(*value))
                                                        : static_cast<Stored>(*value);
        }
      },
      storage);
  frame.pixels =
      PixelBuffer(width, height, std::move(storage), frame.pixels.scale(), frame.pixels.zero());
  frame.left_out = defects.places;
  return frame;
}

}  // namespace starwaist
