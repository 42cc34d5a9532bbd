#include "field/stars_of_field.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <set>
#include <string>

#include "starwaist/field.h"
#include "starwaist/statistics.h"

namespace starwaist::over_field {

namespace {

constexpr std::size_t kMostStars = 400;  // the brightest; more cost time and add little

// By frame: its column, absent where the frame is left out. Fills in the positions.
std::vector<std::optional<std::size_t>> columns_of(const FrameGroup& frames, const FitResult& fit,
                                                   StarsOfField& data) {
  // Frames that the curve rejected may have been at another focus than they say.
  const auto rejected = [&fit](std::size_t i) {
    return i < fit.points.size() && !fit.points[i].used;
  };
  std::vector<std::optional<std::size_t>> column(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].position_steps || rejected(i)) continue;
    column[i] = data.position_steps.size();
    data.position_steps.push_back(*frames[i].position_steps);
  }
  return column;
}

}  // namespace

ShapesAt shapes_at(const FrameMeasurement& frame, double x_px, double y_px) {
  const double half_width = 0.5 * (frame.width_px - 1);
  const double half_height = 0.5 * (frame.height_px - 1);
  const double x = x_px - half_width;
  const double y = y_px - half_height;
  return {x / (2 * half_width), y / (2 * half_height),
          (x * x + y * y) / (half_width * half_width + half_height * half_height)};
}

StarsOfField stars_of_field(const FrameGroup& frames, std::span<const StarTrack> tracks,
                            const FitResult& fit, double centre_steps) {
  StarsOfField data;
  const std::vector<std::optional<std::size_t>> column = columns_of(frames, fit, data);
  for (const StarTrack& track : tracks) {
    if (data.stars == kMostStars) break;
    std::vector<StarInFrame> rows;
    bool below = false;
    bool above = false;
    std::array<double, 2> place{};
    for (std::size_t i = 0; i < frames.size() && i < track.size(); ++i) {
      if (!column[i] || !track[i]) continue;
      const Star& star = frames[i].stars[*track[i]];
      if (!has_dependable_size(star)) continue;
      const double relative = *star.hfr_sigma_px / *star.hfr_px;
      rows.push_back({data.stars, *column[i], std::log(*star.hfr_px),
                      std::max(relative * relative, 1e-8),
                      shapes_at(frames[i], star.x_px, star.y_px)});
      (*frames[i].position_steps < centre_steps ? below : above) = true;
      place = {star.x_px / frames[i].width_px, star.y_px / frames[i].height_px};
    }
    if (2 * rows.size() < data.position_steps.size() || rows.size() < 3 || !below || !above) {
      continue;
    }
    data.rows.insert(data.rows.end(), rows.begin(), rows.end());
    data.place.push_back(place);
    ++data.stars;
  }
  return data;
}

void take_out_response(StarsOfField& data) {
  std::vector<std::vector<double>> of_frame(data.position_steps.size());
  for (const StarInFrame& row : data.rows) of_frame[row.frame].push_back(row.log_size);
  std::vector<double> typical;
  for (const auto& sizes : of_frame) typical.push_back(sizes.empty() ? 0.0 : median(sizes));
  for (StarInFrame& row : data.rows) {
    row.log_size = typical[row.frame] + (row.log_size - typical[row.frame]) / kSizeResponse;
  }
}

}  // namespace starwaist::over_field
