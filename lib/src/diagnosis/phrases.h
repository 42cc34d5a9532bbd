// Numbers in sentences, and settings within the focuser's limits.
//
// Private header of module diagnosis.
#pragma once

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"

namespace starwaist::diagnosis {

// Positions and distances are written, rounded and asked for as finely as the run's positions are.
inline int decimals_of(const RunView& run) { return position_decimals(run.record().fit.points); }
inline double least_steps(const RunView& run) { return std::pow(10.0, -decimals_of(run)); }
inline std::string steps_number(const RunView& run, double value) {
  return format_fixed(value, decimals_of(run));
}
inline std::string steps_words(const RunView& run, double value) {
  return steps_number(run, value) + " steps";
}
inline std::string percent(double part) { return format_fixed(100 * part, 0) + " %"; }
inline std::string count_of(std::size_t n, const std::string& one) {
  return std::to_string(n) + " " + one + (n == 1 ? "" : "s");
}

// Rounded to two significant digits, at least one step: a setting that a person types.
inline double round_steps(const RunView& run, double steps) {
  const double least = least_steps(run);
  if (!(steps > 0)) return least;
  const double unit = std::pow(10, std::floor(std::log10(steps)) - 1);
  return std::max(1.0, std::round(std::round(steps / unit) * unit / least)) * least;
}

// Kept within the rig's limits.
inline double within_limits(const RunView& run, double position_steps) {
  const Rig& rig = run.record().rig;
  if (rig.min_position_steps) position_steps = std::max(position_steps, *rig.min_position_steps);
  if (rig.max_position_steps) position_steps = std::min(position_steps, *rig.max_position_steps);
  return std::round(position_steps / least_steps(run)) * least_steps(run);
}

// An even sweep about a place: nine positions out to three times the curve's width, where stars are
// about three times as large as in focus, and no farther than the focuser goes.
struct SweepSettings {
  double step_steps = 1;
  int points = 9;
  double start_position_steps = 0;  // the lowest, whichever way the sweep goes
};
inline SweepSettings sweep_about(const RunView& run, double centre_steps, double core_steps) {
  SweepSettings sweep;
  const Rig& rig = run.record().rig;
  constexpr double kReach = 3;
  double half_range = kReach * core_steps;
  if (rig.min_position_steps)
    half_range = std::min(half_range, centre_steps - *rig.min_position_steps);
  if (rig.max_position_steps)
    half_range = std::min(half_range, *rig.max_position_steps - centre_steps);
  const int moves = sweep.points - 1;
  const double least = least_steps(run);
  sweep.step_steps =
      std::max(1.0, std::floor(2 * std::max(half_range, 0.0) / moves / least)) * least;
  sweep.start_position_steps = within_limits(run, centre_steps - 0.5 * moves * sweep.step_steps);
  return sweep;
}
// "about 5000 steps: 9 positions from 4880 to 5120, 30 steps apart", downwards for a run taken
// inward.
inline std::string sweep_words(const RunView& run, const SweepSettings& sweep,
                               double centre_steps) {
  const double highest = sweep.start_position_steps + (sweep.points - 1) * sweep.step_steps;
  const bool inward = run.record().fit.approach == Direction::inward;
  return "about " + steps_words(run, within_limits(run, centre_steps)) + ": " +
         std::to_string(sweep.points) + " positions from " +
         steps_number(run, inward ? highest : sweep.start_position_steps) +
         (inward ? " down to " : " to ") +
         steps_number(run, inward ? sweep.start_position_steps : highest) + ", " +
         steps_words(run, sweep.step_steps) + " apart";
}
// In the direction of the run: downwards the step is negative and the start is the highest
// position.
inline std::vector<std::pair<std::string, double>> settings_of(const RunView& run,
                                                               const SweepSettings& sweep) {
  const bool inward = run.record().fit.approach == Direction::inward;
  const double highest = sweep.start_position_steps + (sweep.points - 1) * sweep.step_steps;
  return {{"step_steps", inward ? -sweep.step_steps : sweep.step_steps},
          {"points", static_cast<double>(sweep.points)},
          {"start_position_steps", inward ? highest : sweep.start_position_steps}};
}

// The curve's width B = smallest size / arm slope in steps: from the rig where it is known, as far
// as a size in focus is; else the fit's.
inline std::optional<double> core_steps_of(const RunView& run) {
  if (run.curve() && run.curve()->slope_px_per_step > 0) return run.curve()->core_steps();
  for (const ModelFit& model : run.record().fit.models) {
    const bool known = model.min_size_px && model.slope_px_per_step;
    if (known && *model.slope_px_per_step > 0) return *model.min_size_px / *model.slope_px_per_step;
  }
  return std::nullopt;
}

// Lowest and highest of place(i) over the points that have a size; zeros where none has.
template <class Place>
std::pair<double, double> ends_of(const RunView& run, Place&& place) {
  std::optional<std::pair<double, double>> ends;
  for (const std::size_t i : run.sized_points()) {
    const double x = place(i);
    ends = ends ? std::pair(std::min(ends->first, x), std::max(ends->second, x)) : std::pair(x, x);
  }
  return ends.value_or(std::pair(0.0, 0.0));
}

inline double smallest_size_px(const RunView& run) {
  return ends_of(run, [&](std::size_t i) { return *run.point(i).size_px; }).first;
}

// Of the commanded positions.
inline double range_steps_of(const RunView& run) {
  const auto [low, high] = ends_of(run, [&](std::size_t i) { return run.point(i).position_steps; });
  return high - low;
}

// What a shift of best focus means: beside half of the zone, or where the rig is not known beside a
// quarter of the curve's width.
inline double tolerable_steps(const RunView& run) {
  if (run.record().fit.critical_focus_zone_steps) {
    return 0.5 * *run.record().fit.critical_focus_zone_steps;
  }
  return 0.25 * core_steps_of(run).value_or(range_steps_of(run) / 6);
}

inline Effect effect_of_shift(const RunView& run, double shift_steps) {
  const double part = std::abs(shift_steps) / tolerable_steps(run);
  if (part < 0.5) return Effect::harmless;
  return part < 2 ? Effect::doubtful : Effect::unusable;
}

}  // namespace starwaist::diagnosis
