#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage step_too_large_page() {
  return {"step_too_large",
          "the steps are too large",
          "Only one or two positions lie near the minimum, or the outer stars are so large and "
          "faint that they cannot be measured. The place of best focus then hangs on the shape of "
          "the arms.",
          "A V of a few large sizes with hardly a point at its bottom; the outer frames show no "
          "stars or few.",
          "A one-sided sweep has no second arm. Clouds take stars from some frames in the middle, "
          "too large steps from the outermost on both sides.",
          "Make the steps smaller, so that the outermost stars are two to three times as large as "
          "the smallest.",
          "common practice, no source"};
}

// Frames outside these positions in which nothing could be measured.
std::size_t lost_beyond(const RunView& run, double low_steps, double high_steps) {
  std::size_t lost = 0;
  for (std::size_t i = 0; i < run.count(); ++i) {
    const double x = run.point(i).position_steps;
    lost += !run.point(i).size_px && (x < low_steps || x > high_steps) ? 1 : 0;
  }
  return lost;
}

std::optional<Candidate> look_for_step_too_large(const RunView& run) {
  if (!run.curve()) return std::nullopt;
  const HealthyCurve& curve = *run.curve();
  double smallest = 1e300;
  double largest = 0;
  std::vector<double> positions;
  for (const std::size_t i : run.sized_points()) {
    smallest = std::min(smallest, *run.point(i).size_px);
    largest = std::max(largest, *run.point(i).size_px);
    positions.push_back(run.position_steps(i));
  }
  std::sort(positions.begin(), positions.end());
  positions.erase(std::unique(positions.begin(), positions.end()), positions.end());
  if (positions.size() < 2) return std::nullopt;
  const std::size_t lost = lost_beyond(run, positions.front(), positions.back());
  // Fewer points than that are the matter themselves.
  if (positions.size() + lost < VerdictRules::kTrustedPositions) return std::nullopt;
  std::vector<double> gaps;
  for (std::size_t k = 1; k < positions.size(); ++k)
    gaps.push_back(positions[k] - positions[k - 1]);
  const double step = median(gaps);
  // Widths of rings follow no such curve near focus: there the smallest width seen must do.
  const bool hfr = run.record().fit.size_measure == SizeMeasure::hfr;
  const double core =
      hfr ? curve.core_steps() : std::max(curve.core_steps(), smallest / curve.slope_px_per_step);
  std::size_t near = 0;
  constexpr double kNear = 1.5;  // widths of the curve: stars up to 1.8 times the smallest
  for (const double x : positions) {
    near += std::abs(x - curve.best_focus_steps) < kNear * core ? 1 : 0;
  }
  // A step of 1.5 widths over nine points is a range of six on either side.
  const double by_step = hfr ? 8 * (step / core - 1.55) : 5 * (step / core - 2.1);
  const double by_size = 1.2 * (largest / curve.smallest_px - 9);
  const double by_loss = lost >= 2 && largest > 2.5 * curve.smallest_px ? 2.0 : -9.0;
  Candidate c;
  c.log_odds = std::min(std::max({by_step, by_size, by_loss}), 4.0);
  if (c.log_odds < -6) return std::nullopt;
  c.share = 1;
  // The frames were taken; that so few of them serve is the step's doing.
  if (by_loss > 0) c.covers = {"too_few_points"};
  c.effect = near < 3 ? Effect::doubtful : Effect::harmless;
  const SweepSettings sweep = sweep_about(run, curve.best_focus_steps, std::max(core, step / 6));
  c.summary = "Only " + count_of(near, "position") + " of " + std::to_string(positions.size()) +
              std::string(near == 1 ? " lies" : " lie") + " near the minimum; the step of " +
              format_short(step) + " is " + format_short(step / core) +
              " times the curve's width, and the largest stars are " +
              format_short(largest / curve.smallest_px) + " times the smallest.";
  if (lost > 0) c.summary += " In " + count_of(lost, "outer frame") + " no star could be measured.";
  c.evidence = {{"step", step, "steps"},
                {"width of the curve", core, "steps"},
                {"positions near the minimum", static_cast<double>(near), ""},
                {"largest size over the smallest", largest / curve.smallest_px, ""}};
  c.remedy = {codes::repeat_sweep,
              "Repeat the sweep " + sweep_words(run, sweep, curve.best_focus_steps) + "."};
  c.settings = settings_of(run, sweep);
  return c;
}

}  // namespace

Cause cause_step_too_large() { return {step_too_large_page(), look_for_step_too_large}; }

}  // namespace starwaist::diagnosis
