#include "stars/mosaic_defects.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <utility>
#include <variant>
#include <vector>

#include "core/parallel.h"
#include "stars/site_skies.h"

namespace starwaist::stars {
namespace {

constexpr double kMosaicDefectSnr = 6.0;  // a fainter one makes no star
constexpr double kMostOfPeak = 0.35;      // see the header; common practice, no source
constexpr int kReach = 2;                 // the nearest of the same colour
constexpr int kMosaicStripRows = 64;
// Where hot pixels lie so dense that they are neighbours, taking some out shows others.
constexpr double kDense = 0.001;
constexpr int kMostRounds = 4;

float three_faintest(float a, float b, float c, float d) {
  return a + b + c + d - std::max({a, b, c, d});
}

// Rows y - kReach to y + kReach.
using Rows = std::array<const float*, 2 * kReach + 1>;

bool stands_out(const Rows& rows, int x, bool green, double sigma) {
  const auto at = [&](int dx, int dy) {
    const int row = kReach + dy;
    return rows[static_cast<std::size_t>(row)][x + dx];
  };
  const double value = at(0, 0);
  // Noise of the six neighbours together.
  const double most = kMostOfPeak * value - std::sqrt(6.0) * sigma;
  const float corners = three_faintest(at(-1, -1), at(1, -1), at(-1, 1), at(1, 1));
  const float beside = three_faintest(at(-1, 0), at(1, 0), at(0, -1), at(0, 1));
  if (!(beside + corners < most)) return false;
  const float two_off = three_faintest(at(-2, 0), at(2, 0), at(0, -2), at(0, 2));
  const float diagonal =
      green ? corners : three_faintest(at(-2, -2), at(2, -2), at(-2, 2), at(2, 2));
  return two_off + diagonal < most;
}

// Of the rows [begin, end).
std::vector<PixelPlace> hot_pixels_of(const Frame& mosaic, const SiteSkies& skies, int begin,
                                      int end) {
  const int width = mosaic.pixels.width_px();
  const int height = mosaic.pixels.height_px();
  std::vector<PixelPlace> hot;
  std::vector<std::vector<float>> light(static_cast<std::size_t>(end - begin + 2 * kReach),
                                        std::vector<float>(static_cast<std::size_t>(width)));
  const int first = begin - kReach;
  for (int y = std::max(first, 0); y < std::min(end + kReach, height); ++y) {
    auto& row = light[static_cast<std::size_t>(y - first)];
    mosaic.pixels.read_row(y, 0, row);
    for (int x = 0; x < width; ++x) row[static_cast<std::size_t>(x)] -= skies.at(x, y).level_adu;
  }
  for (int y = std::max(begin, kReach); y < std::min(end, height - kReach); ++y) {
    Rows rows{};
    for (int k = 0; k < 2 * kReach + 1; ++k) {
      const int row = y - first - kReach + k;
      rows[static_cast<std::size_t>(k)] = light[static_cast<std::size_t>(row)].data();
    }
    for (int x = kReach; x < width - kReach; ++x) {
      const double sigma = skies.at(x, y).noise_adu;
      if (!(rows[kReach][x] > kMosaicDefectSnr * sigma)) continue;
      const auto site = static_cast<std::size_t>(2 * (y % 2) + x % 2);
      const bool green = mosaic.facts.bayer->tile[site] == ColorChannel::green;
      if (stands_out(rows, x, green, sigma)) hot.push_back({x, y});
    }
  }
  return hot;
}

// The second faintest of the four nearest of its colour, as stored: none of two warm ones.
template <class Stored>
void replace(std::vector<Stored>& stored, int width, const PixelPlace& hot, bool green) {
  const auto at = [&](int dx, int dy) {
    return stored[static_cast<std::size_t>(hot.y_px + dy) * static_cast<std::size_t>(width) +
                  static_cast<std::size_t>(hot.x_px + dx)];
  };
  std::array<Stored, 4> near =
      green ? std::array<Stored, 4>{at(-1, -1), at(1, -1), at(-1, 1), at(1, 1)}
            : std::array<Stored, 4>{at(-2, 0), at(2, 0), at(0, -2), at(0, 2)};
  std::sort(near.begin(), near.end());
  stored[static_cast<std::size_t>(hot.y_px) * static_cast<std::size_t>(width) +
         static_cast<std::size_t>(hot.x_px)] = near[1];
}

}  // namespace

void repair_mosaic(Frame& frame, ColorChannel channel, int threads) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  const BayerTile bayer = *frame.facts.bayer;
  const auto colour_at = [&](const PixelPlace& place) {
    return bayer.tile[2 * (place.y_px % 2) + place.x_px % 2];
  };
  const SiteSkies skies(frame, threads);
  const int strips = (height + kMosaicStripRows - 1) / kMosaicStripRows;
  for (int round = 0; round < kMostRounds; ++round) {
    std::vector<std::vector<PixelPlace>> of_strip(static_cast<std::size_t>(strips));
    core::parallel_for(of_strip.size(), threads, [&](std::size_t i) {
      const int begin = static_cast<int>(i) * kMosaicStripRows;
      of_strip[i] = hot_pixels_of(frame, skies, begin, std::min(begin + kMosaicStripRows, height));
    });
    std::size_t found = 0;
    for (const std::vector<PixelPlace>& some : of_strip) found += some.size();
    if (found == 0) return;
    PixelBuffer::Storage storage = frame.pixels.storage();
    for (const std::vector<PixelPlace>& some : of_strip) {
      for (const PixelPlace& hot : some) {
        const ColorChannel colour = colour_at(hot);
        std::visit(
            [&](auto& stored) { replace(stored, width, hot, colour == ColorChannel::green); },
            storage);
        if (colour == channel) frame.repaired.push_back(hot);
      }
    }
    frame.pixels =
        PixelBuffer(width, height, std::move(storage), frame.pixels.scale(), frame.pixels.zero());
    if (static_cast<double>(found) < kDense * width * height) return;
  }
}

}  // namespace starwaist::stars
