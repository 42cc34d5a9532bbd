#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <span>
#include <utility>
#include <vector>

#include "stars/defect_map.h"
#include "starwaist/stars.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace {

constexpr double kMostFrames = 0.8;
constexpr double kAlike = 0.2;  // of the excess; a star changes more within a run
constexpr double kAlikeSigmas = 2.5;

// The middle excess of a pixel that is alike in most frames; 0 for any other.
float fixed_excess(std::span<const SharpPixel> seen, std::size_t frames) {
  const double most = kMostFrames * static_cast<double>(frames);
  if (static_cast<double>(seen.size()) < most) return 0;
  std::vector<double> excess;
  for (const SharpPixel& s : seen) excess.push_back(s.excess_adu);
  const double middle = median(excess);
  const auto alike = std::count_if(seen.begin(), seen.end(), [&](const SharpPixel& s) {
    return std::abs(s.excess_adu - middle) < kAlike * middle + kAlikeSigmas * s.noise_adu;
  });
  return static_cast<double>(alike) >= most ? static_cast<float>(middle) : 0.0F;
}

// So that one hit by a particle does not count. Precondition: two or more.
float second_highest(std::span<const SharpPixel> seen) {
  float first = 0;
  float second = 0;
  for (const SharpPixel& s : seen) {
    if (s.excess_adu > first) {
      second = std::exchange(first, s.excess_adu);
    } else {
      second = std::max(second, s.excess_adu);
    }
  }
  return second;
}

}  // namespace

DefectMap fixed_pixels(std::span<const std::vector<SharpPixel>* const> frames, int width_px,
                       int height_px) {
  std::vector<SharpPixel> fixed;
  std::vector<SharpPixel> changing;
  if (frames.size() >= kFewestForFixed) {
    std::vector<SharpPixel> seen;
    for (const auto* frame : frames) seen.insert(seen.end(), frame->begin(), frame->end());
    const auto key = [width_px](const SharpPixel& p) {
      return stars::pixel_number(p.x_px, p.y_px, width_px);
    };
    std::stable_sort(seen.begin(), seen.end(),
                     [&](const SharpPixel& a, const SharpPixel& b) { return key(a) < key(b); });
    for (std::size_t begin = 0; begin < seen.size();) {
      std::size_t end = begin;
      while (end < seen.size() && key(seen[end]) == key(seen[begin])) ++end;
      const auto of_pixel = std::span(seen).subspan(begin, end - begin);
      SharpPixel pixel = seen[begin];
      pixel.excess_adu = fixed_excess(of_pixel, frames.size());
      if (pixel.excess_adu > 0) {
        fixed.push_back(pixel);
      } else if (of_pixel.size() > 1) {
        pixel.excess_adu = second_highest(of_pixel);
        changing.push_back(pixel);
      }
      begin = end;
    }
  }
  DefectMap map = stars::grouped_map(fixed, changing, width_px, height_px, stars::Spread::further);
  map.source = "the run's fixed pixels";
  return map;
}

}  // namespace starwaist
