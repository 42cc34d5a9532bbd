#include <algorithm>
#include <cmath>

#include "starwaist/stars.h"

namespace starwaist {

FrameGroup::FrameGroup(const std::vector<FrameMeasurement>& frames) {
  frames_.reserve(frames.size());
  for (const FrameMeasurement& frame : frames) add(frame);
}

FrameGroup::FrameGroup(const std::vector<MeasuredFrame>& frames) {
  frames_.reserve(frames.size());
  for (const MeasuredFrame& frame : frames) add(frame.measurement);
}

bool shows_stars(const FrameMeasurement& frame, const FrameGroup& frames) {
  constexpr int kByThemselves = 3;
  constexpr double kWandersPx = 25;  // by which the mount leaves its place between two frames
  if (frame.star_count >= kByThemselves) return true;
  if (frame.star_count == 0) return false;
  const auto stands_in = [](const std::vector<Star>& stars, const Star& star) {
    return std::any_of(stars.begin(), stars.end(), [&](const Star& other) {
      return other.hfr_px &&
             std::hypot(other.x_px - star.x_px, other.y_px - star.y_px) < kWandersPx;
    });
  };
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (&frames[i] == &frame || frames[i].star_count == 0) continue;
    const auto there = std::count_if(frame.stars.begin(), frame.stars.end(), [&](const Star& star) {
      return star.hfr_px && stands_in(frames[i].stars, star);
    });
    if (there > 0 && 2 * there >= frame.star_count) return true;
  }
  return false;
}

}  // namespace starwaist
