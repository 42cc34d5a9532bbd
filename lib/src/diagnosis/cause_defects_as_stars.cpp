#include <algorithm>
#include <cmath>
#include <cstdint>
#include <string>
#include <unordered_map>
#include <unordered_set>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage defects_as_stars_page() {
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
std::unordered_set<std::int64_t> fixed_defects(const std::vector<MeasuredFrame>& frames) {
  std::unordered_map<std::int64_t, std::size_t> seen;
  for (const MeasuredFrame& frame : frames) {
    for (const StarPlace& defect : frame.measurement.defects) ++seen[pixel_key(defect)];
  }
  std::unordered_set<std::int64_t> fixed;
  for (const auto& [key, count] : seen) {
    if (2 * count > frames.size()) fixed.insert(key);
  }
  return fixed;
}

// A defect's warm neighbours taken for a star.
bool is_beside_defect(const Star& star, const std::unordered_set<std::int64_t>& fixed) {
  constexpr double kSmallPx = 1.5;  // a ring about a hot pixel is larger
  if (!star.hfr_px || !(*star.hfr_px < kSmallPx)) return false;
  constexpr int kBeside = 1;  // pixels
  const auto x = static_cast<std::int64_t>(std::lround(star.x_px));
  const auto y = static_cast<std::int64_t>(std::lround(star.y_px));
  for (int dy = -kBeside; dy <= kBeside; ++dy) {
    for (int dx = -kBeside; dx <= kBeside; ++dx) {
      if (fixed.count(pixel_key(x + dx, y + dy)) != 0) return true;
    }
  }
  return false;
}

// Objects of a frame, and those among them that are a defect's neighbours.
struct Counted {
  double all = 0;
  double mistaken = 0;
};

Counted counted(const FrameMeasurement& frame, const std::unordered_set<std::int64_t>& fixed) {
  Counted result;
  for (const Star& star : frame.stars) {
    if (star.followed || !star.hfr_px) continue;
    ++result.all;
    result.mistaken += is_beside_defect(star, fixed) ? 1 : 0;
  }
  return result;
}

// Objects taken for stars that stay at their pixel while the field moves.
std::size_t fixed_stars(const RunRecord& record, const std::unordered_set<std::int64_t>& fixed) {
  const std::vector<MeasuredFrame>& frames = record.frames;
  // How far the field moved: of the typical track.
  std::vector<double> shifts;
  for (const StarTrack& track : record.tracks) {
    double low_x = 1e300;
    double high_x = -1e300;
    double low_y = 1e300;
    double high_y = -1e300;
    for (std::size_t i = 0; i < frames.size(); ++i) {
      if (!track[i]) continue;
      const Star& star = frames[i].measurement.stars[*track[i]];
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
  for (const MeasuredFrame& frame : frames) {
    for (const Star& star : frame.measurement.stars) {
      if (!star.followed && !is_beside_defect(star, fixed)) {
        ++seen[pixel_key({star.x_px, star.y_px})];
      }
    }
  }
  return static_cast<std::size_t>(std::count_if(seen.begin(), seen.end(), [&](const auto& place) {
    return 10 * place.second >= 7 * frames.size() && place.second >= 3;
  }));
}

std::optional<Candidate> look_for_defects_as_stars(const RunView& run) {
  const RunRecord& record = run.record();
  constexpr std::size_t kFewestFrames = 3;
  if (record.frames.size() < kFewestFrames) return std::nullopt;
  const std::unordered_set<std::int64_t> fixed = fixed_defects(record.frames);
  const std::size_t strays = fixed_stars(record, fixed);
  const std::size_t defects = fixed.size() + strays;
  constexpr std::size_t kFewest = 10;
  if (defects < kFewest) return std::nullopt;
  std::vector<double> counts;
  std::vector<double> mistaken;
  for (const MeasuredFrame& frame : record.frames) {
    const Counted count = counted(frame.measurement, fixed);
    counts.push_back(count.all - count.mistaken);
    mistaken.push_back(count.all > 0 ? count.mistaken / count.all : 0.0);
  }
  // Near focus most stars are found.
  const double stars = std::max(1.0, sample_quantile(counts, 0.75) - static_cast<double>(strays));
  const double ratio = static_cast<double>(defects) / stars;
  // Where most of what was measured is defects, the sizes are theirs.
  const bool misled = median(mistaken) > 0.4;
  Candidate c;
  // A count: only the faint end of both is a matter of opinion.
  const double even = misled ? 0.8 : 1.1;
  c.log_odds = std::clamp(10 * std::log(ratio / even), -6.0, misled ? 6.0 : 4.0);
  // Left out they harm nothing, and any sensor's usual ones may outnumber few stars: so dense that
  // a measurement without care is theirs.
  constexpr double kUsualDensity = 200e-6;  // of the pixels; common practice, no source
  if (!misled) {
    const FrameMeasurement& frame = record.frames.front().measurement;
    const double pixels = static_cast<double>(frame.width_px) * frame.height_px;
    const double density = static_cast<double>(defects) / pixels;
    c.log_odds = std::min(c.log_odds, 4 * std::log(density / kUsualDensity));
  }
  c.share = static_cast<double>(defects) / (static_cast<double>(defects) + stars);
  c.effect = misled ? Effect::unusable : Effect::harmless;
  c.summary =
      std::to_string(defects) +
      " hot pixels or other fixed defects stand at the same place in most frames, against " +
      format_fixed(stars, 0) + " stars; " +
      (misled ? "the sizes are theirs." : "they were left out.");
  if (misled) {
    // What stays the same at every focus looks like all of these.
    c.covers = {"no_motion",  "step_too_small", "one_sided",       "few_stars",
                "bad_seeing", "field_tilt",     "field_curvature", "extended_objects"};
  }
  c.evidence = {{"fixed defects", static_cast<double>(defects), ""}, {"stars", stars, ""}};
  const std::string otherwise =
      " A program that measures whatever is bright follows the defects here.";
  // Longer exposures are no remedy where stars are clipped.
  const bool clipped = std::any_of(record.frames.begin(), record.frames.end(),
                                   [](const auto& f) { return f.measurement.saturated_count > 0; });
  c.remedy =
      clipped ? Statement{codes::calibrate,
                          "Take a dark frame off the frames or cool the sensor." + otherwise}
              : Statement{codes::calibrate_or_expose_longer,
                          "Take a dark frame off, cool the sensor, or expose longer so that stars "
                          "lead." +
                              otherwise};
  return c;
}

}  // namespace

Cause cause_defects_as_stars() { return {defects_as_stars_page(), look_for_defects_as_stars}; }

}  // namespace starwaist::diagnosis
