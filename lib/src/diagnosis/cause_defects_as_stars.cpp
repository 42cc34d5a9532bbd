#include <algorithm>
#include <cmath>
#include <cstdint>
#include <string>
#include <unordered_map>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage page() {
  return {
      "defects_as_stars",
      "defects outnumber the stars",
      "Hot pixels and other fixed defects of the sensor stand at the same pixel in every frame. "
      "Where they outnumber the stars, sizes taken without care are theirs: tiny, and the same at "
      "every focus. This program leaves them out.",
      "Elsewhere: a curve that is too flat and too low, with an in-focus size near one pixel. "
      "Here: the curve is sound, and rests on fewer stars than it could.",
      "Hits by particles are as sharp, and at another place in each frame. Stars move with the "
      "telescope's small shifts; defects stay.",
      "Take a dark off the frames or cool the sensor, and expose long enough that stars lead.",
      "common practice, no source"};
}

std::int64_t pixel_key(std::int64_t x, std::int64_t y) { return (y << 32) ^ (x & 0xffffffff); }

std::int64_t pixel_key(const StarPlace& place) {
  return pixel_key(std::lround(place.x_px), std::lround(place.y_px));
}

// Places at which more than half of the frames show a defect.
std::size_t fixed_defects(const std::vector<FrameMeasurement>& frames) {
  std::unordered_map<std::int64_t, std::size_t> seen;
  for (const FrameMeasurement& frame : frames) {
    for (const StarPlace& defect : frame.defects) ++seen[pixel_key(defect)];
  }
  // A place between two pixels is counted under either: the fuller one takes the other's.
  std::size_t fixed = 0;
  for (const auto& [key, count] : seen) {
    if (2 * count > frames.size()) ++fixed;
  }
  return fixed;
}

// Objects taken for stars that stay at their pixel while the field moves.
std::size_t fixed_stars(const RunRecord& record) {
  const std::vector<FrameMeasurement>& frames = record.frames;
  // How far the field moved: of the typical track.
  std::vector<double> shifts;
  for (const StarTrack& track : record.tracks) {
    double low_x = 1e300;
    double high_x = -1e300;
    double low_y = 1e300;
    double high_y = -1e300;
    for (std::size_t i = 0; i < frames.size(); ++i) {
      if (!track[i]) continue;
      const Star& star = frames[i].stars[*track[i]];
      low_x = std::min(low_x, star.x_px);
      high_x = std::max(high_x, star.x_px);
      low_y = std::min(low_y, star.y_px);
      high_y = std::max(high_y, star.y_px);
    }
    shifts.push_back(std::max(high_x - low_x, high_y - low_y));
  }
  constexpr double kMovedPx = 4;  // beyond the error of any place
  if (shifts.size() < 5 || median(shifts) < kMovedPx) return 0;
  std::unordered_map<std::int64_t, std::size_t> seen;
  for (const FrameMeasurement& frame : frames) {
    for (const Star& star : frame.stars) {
      if (!star.followed) ++seen[pixel_key({star.x_px, star.y_px})];
    }
  }
  return static_cast<std::size_t>(std::count_if(seen.begin(), seen.end(), [&](const auto& place) {
    return 10 * place.second >= 7 * frames.size() && place.second >= 3;
  }));
}

std::optional<Candidate> look(const RunView& run) {
  const RunRecord& record = run.record();
  constexpr std::size_t kFewestFrames = 3;
  if (record.frames.size() < kFewestFrames) return std::nullopt;
  const std::size_t strays = fixed_stars(record);
  const std::size_t defects = fixed_defects(record.frames) + strays;
  constexpr std::size_t kFewest = 10;
  if (defects < kFewest) return std::nullopt;
  std::vector<double> counts;
  for (const FrameMeasurement& frame : record.frames) {
    counts.push_back(static_cast<double>(
        std::count_if(frame.stars.begin(), frame.stars.end(),
                      [](const Star& s) { return !s.followed && s.hfr_px.has_value(); })));
  }
  // Near focus most stars are found.
  const double stars = std::max(1.0, sample_quantile(counts, 0.75) - static_cast<double>(strays));
  const double ratio = static_cast<double>(defects) / stars;
  Candidate c;
  // A count: only the faint end of both is a matter of opinion.
  constexpr double kEven = 1.1;
  c.log_odds = std::clamp(10 * std::log(ratio / kEven), -6.0, 4.0);
  c.share = static_cast<double>(defects) / (static_cast<double>(defects) + stars);
  c.effect = Effect::harmless;
  c.summary =
      std::to_string(defects) +
      " hot pixels or other fixed defects stand at the same place in most frames, against " +
      format_fixed(stars, 0) + " stars; they were left out.";
  c.evidence = {{"fixed defects", static_cast<double>(defects), ""}, {"stars", stars, ""}};
  c.remedy =
      "Take a dark frame off, cool the sensor, or expose longer so that stars lead. A program "
      "that measures whatever is bright would follow the defects here.";
  return c;
}

}  // namespace

Cause cause_defects_as_stars() { return {page(), look}; }

}  // namespace starwaist::diagnosis
