#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/light_history.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage few_stars_page() {
  return {"few_stars",
          "too few or too faint stars",
          "The sizes rest on a handful of stars or on faint ones, so that each size is uncertain: "
          "short exposure, low gain, narrow filter, empty field.",
          "Points with large errors that scatter about the curve; the outer ones are missing.",
          "A cloud takes the stars from some frames only. Steps that are too large lose the stars "
          "at both ends only.",
          "Expose longer, use the clear filter, bin, or point at a richer field.",
          "common practice, no source"};
}

constexpr double kNear = 2.5;  // times the smallest size

// Far from focus stars are lost to their size, however many there are.
bool is_far(const RunView& run, std::size_t i) {
  return run.curve() && run.curve()->size_px[i] > kNear * run.curve()->smallest_px;
}

// Which points' stars count: frames in a cloud have their own cause.
std::vector<bool> points_that_count(const RunView& run) {
  std::vector<bool> counts(run.count(), true);
  if (const auto light = light_history(run); light && light->log_odds_cloud > 0) {
    for (const std::size_t i : light->dimmed) counts[i] = false;
  }
  for (std::size_t i = 0; i < run.count(); ++i) {
    if (is_far(run, i)) counts[i] = false;
  }
  return counts;
}

struct StarsOfRun {
  double count = 0;       // of a frame, median
  double error = 0;       // of a frame's size, relative; 0 where unknown
  std::size_t empty = 0;  // frames without a size
  std::size_t away = 0;   // of them such as were taken on the way to focus
  std::optional<double> exposure_s;
  bool near = false;  // counted near focus
};

std::optional<StarsOfRun> stars_of(const RunView& run) {
  std::vector<bool> counts = points_that_count(run);
  StarsOfRun found;
  found.near = std::count(counts.begin(), counts.end(), true) > 0;
  if (!found.near) counts.assign(run.count(), true);
  std::vector<double> stars;
  std::vector<double> relative;
  const bool shows_focus = run.sized_points().size() >= VerdictRules::kTrustedPoints;
  for (std::size_t i = 0; i < run.count(); ++i) {
    const CurvePoint& p = run.point(i);
    if (run.facts(i).exposure_s) found.exposure_s = run.facts(i).exposure_s;
    if (!p.size_px) {
      ++found.empty;
      found.away += shows_focus && is_far(run, i) ? 1 : 0;
    }
    if (!counts[i]) continue;
    // Of those that all frames share only some are left where the outer frames show few.
    const int own = run.has_frames() ? run.record().frames[i].measurement.star_count : 0;
    if (p.stars) stars.push_back(std::max(*p.stars, own));
    if (p.size_px && p.sigma_px && run.has_frames()) relative.push_back(*p.sigma_px / *p.size_px);
  }
  if (stars.empty() || run.count() < 3) return std::nullopt;
  found.count = median(stars);
  found.error = relative.empty() ? 0 : median(relative);
  return found;
}

std::optional<Candidate> look_for_few_stars(const RunView& run) {
  const auto found = stars_of(run);
  if (!found) return std::nullopt;
  const auto& [count, error, empty, away, exposure, near] = *found;
  const double lost = static_cast<double>(empty - away) /
                      static_cast<double>(std::max<std::size_t>(1, run.count() - away));
  const double by_count = 6 * (std::log(8.5) - std::log(count + 0.5));
  const double by_error = error > 0 ? 4 * std::log(error / 0.04) : -20;
  const double by_loss = lost > 0.5 ? 2.0 : -20;
  Candidate c;
  // How many stars there are is seen near focus.
  constexpr double kUnseen = -1;
  const double by_stars = std::max(by_count, by_error);
  c.log_odds = std::min(std::max(near ? by_stars : std::min(by_stars, kUnseen), by_loss), 4.0);
  if (c.log_odds < -6) return std::nullopt;
  c.share = 1;
  c.effect = lost > 0.7 ? Effect::unusable : Effect::doubtful;
  c.summary = "The sizes rest on " + format_short(count) + " stars a frame (median)";
  if (error > 0)
    c.summary += ", each frame's size is uncertain by " + format_short(100 * error) + " %";
  c.summary += ".";
  if (empty > 0) c.summary += " In " + count_of(empty, "frame") + " no star could be used.";
  c.evidence = {{"stars a frame", count, ""},
                {"error of a frame's size", 100 * error, "%"},
                {"frames without a usable star", static_cast<double>(empty), ""}};
  constexpr double kLonger = 4;
  std::string seconds;
  if (exposure && *exposure > 0) {
    seconds = " (" + format_short(kLonger * *exposure) + " s)";
    c.settings = {{"exposure_s", kLonger * *exposure}};
  }
  c.remedy = {codes::get_more_star_light,
              "Expose " + format_short(kLonger) + " times as long" + seconds +
                  ", or use the clear filter, bin, or point at a richer field."};
  // Sizes that are hardly sizes come before whatever their scatter or their light looks like.
  constexpr double kHardlySizes = 0.12;
  constexpr double kFirstOfAll = 8;
  if (error > kHardlySizes && c.log_odds > 0) c.log_odds = kFirstOfAll;
  // The noise is the stars', and so is what is missing far from focus.
  c.covers = {"step_too_small", "step_too_large", "no_motion",
              "one_sided",      "passing_cloud",  "image_motion"};
  // Points enough were taken.
  if (run.count() >= VerdictRules::kTrustedPoints) c.covers.emplace_back("too_few_points");
  return c;
}

}  // namespace

Cause cause_few_stars() { return {few_stars_page(), look_for_few_stars}; }

}  // namespace starwaist::diagnosis
