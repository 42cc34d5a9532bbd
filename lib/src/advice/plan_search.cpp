#include "advice/plan_search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

#include "advice/information.h"
#include "advice/sweep_error.h"
#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

constexpr int kMostPoints = 21;
constexpr int kMostFrames = 5;
// Exposures tried where a run shows what they buy; shorter ones freeze the seeing (common practice,
// no source).
constexpr std::array kExposures{3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0};
// The prediction is good to some 5 %: a point more, a fifth of a run of five, is not asked for
// less.
constexpr double kNearly = 1.05;
// Of a sweep that determines nothing: every other one is better.
constexpr double kNoVariance = 1e300;

// Scatter estimated from `degrees` residuals over its true value, not exceeded in nine of ten runs:
// root of the chi-squared quantile over the degrees (Wilson and Hilferty 1931, from memory).
double unlucky_scatter(int degrees) {
  constexpr double kNineOfTen = 1.2816;  // normal quantile
  const double c = 2.0 / (9.0 * degrees);
  return std::sqrt(std::pow(1 - c + kNineOfTen * std::sqrt(c), 3));
}

SweepNoise noise_of(const PlanSetting& s, const SweepDesign& design) {
  const ObservingConditions& c = s.conditions;
  return {{c.measuring_error * std::sqrt(c.exposure_s / design.exposure_s),
           c.seeing_scatter * c.seeing_share, 1},
          c.seeing_memory_s};
}

// From best focus, in B, to the sweep's middle: the places where it may lie (midpoint rule).
std::array<double, 5> offsets_of(const PlanSetting& s, double half_range_steps) {
  std::array<double, 5> offsets{};
  const double shift = shift_for_limits(s, half_range_steps) / s.core_steps;
  const auto count = static_cast<double>(offsets.size());
  for (std::size_t k = 0; k < offsets.size(); ++k) {
    offsets[k] = shift + s.offset_cores * ((2.0 * static_cast<double>(k) + 1) / count - 1);
  }
  return offsets;
}

double seconds_of_frame(const PlanSetting& s, const SweepDesign& design) {
  return design.exposure_s + s.options.download_s;
}

double seconds_of_position(const PlanSetting& s, const SweepDesign& design) {
  return s.options.move_s + design.frames * seconds_of_frame(s, design);
}

std::vector<TimedFrame> frames_of(const PlanSetting& s, const SweepDesign& design,
                                  double half_range_steps, double offset) {
  std::vector<TimedFrame> frames;
  for (int i = 0; i < design.points; ++i) {
    const double u = offset + (i * design.step_steps - half_range_steps) / s.core_steps;
    for (int k = 0; k < design.frames; ++k) {
      frames.push_back({u, i * seconds_of_position(s, design) + k * seconds_of_frame(s, design)});
    }
  }
  return frames;
}

// Averaged over where best focus may lie.
SweepVariances mean_variances(const PlanSetting& s, const SweepDesign& design,
                              double half_range_steps) {
  const auto offsets = offsets_of(s, half_range_steps);
  const SweepNoise noise = noise_of(s, design);
  SweepVariances mean;
  for (const double offset : offsets) {
    const auto frames = frames_of(s, design, half_range_steps, offset);
    const auto variances = sweep_variances(s.shape, frames, noise, design.frames);
    if (!variances) return {kNoVariance, kNoVariance};
    mean.whole += variances->whole / static_cast<double>(offsets.size());
    mean.one_lost += variances->one_lost / static_cast<double>(offsets.size());
  }
  return mean;
}

// Whether the frames that are left after `lost` are as many as the verdict asks for, wherever best
// focus may lie.
bool enough_left(const PlanSetting& s, const SweepDesign& design, double half_range_steps,
                 int lost) {
  const int positions = design.frames > lost ? design.points : design.points - lost;
  if (positions < VerdictRules::kTrustedPositions ||
      design.points * design.frames - lost < VerdictRules::kTrustedPoints) {
    return false;
  }
  for (const double offset : offsets_of(s, half_range_steps)) {
    int below = 0;
    int above = 0;
    for (int i = 0; i < design.points; ++i) {
      const double u = offset + (i * design.step_steps - half_range_steps) / s.core_steps;
      below += u < 0 ? design.frames : 0;
      above += u > 0 ? design.frames : 0;
    }
    if (std::min(below, above) - lost < VerdictRules::kPointsPerSide) return false;
  }
  return true;
}

std::vector<double> exposures_of(const PlanSetting& s) {
  if (s.options.exposure_s) return {*s.options.exposure_s};
  const double known = s.conditions.exposure_s;
  if (!s.conditions.noise_measured) return {known};
  std::vector<double> list(kExposures.begin(), kExposures.end());
  if (std::find(list.begin(), list.end(), known) == list.end()) list.push_back(known);
  return list;
}

bool fits(const PlanSetting& s, int points) { return !s.room_steps || points - 1 <= *s.room_steps; }

// Whole steps with which n points reach from twice to three times the smallest size; the nearest
// that the focuser and its limits allow where none does.
std::vector<double> steps_of(const PlanSetting& s, int points) {
  constexpr int kTries = 16;
  const double gaps = points - 1;
  const double low = 2 * s.core_steps * distance_of_ratio(s.shape, kLeastEdge) / gaps;
  const double high = 2 * s.core_steps * distance_of_ratio(s.shape, kMostEdge) / gaps;
  std::vector<double> steps;
  for (int i = 0; i <= kTries; ++i) {
    double whole = std::max(1.0, std::round(low + (high - low) * i / kTries));
    bool at_limit = false;  // the widest steps that there is room for
    if (s.room_steps) {
      const double most = std::max(1.0, std::floor(*s.room_steps / gaps));
      whole = std::min(whole, most);
      at_limit = whole >= most;
    }
    if (whole < low - 0.5 && !at_limit) continue;
    if (steps.empty() || steps.back() != whole) steps.push_back(whole);
  }
  return steps;
}

bool reaches(const PlanSetting& s, const PlannedSweep& sweep) {
  return sweep.trusted && sweep.sigma_steps <= s.wanted_sigma_steps;
}

bool better(const PlanSetting& s, const PlannedSweep& a, const PlannedSweep& b) {
  if (reaches(s, a) != reaches(s, b)) return reaches(s, a);
  if (!reaches(s, a)) {
    const bool a_long = a.seconds > 60 * kLongestMinutes;
    const bool b_long = b.seconds > 60 * kLongestMinutes;
    if (a_long != b_long) return b_long;
    return a.sigma_steps < b.sigma_steps;
  }
  if (a.seconds != b.seconds) return a.seconds < b.seconds;
  return a.sigma_steps < b.sigma_steps;
}

// Of all steps, exposures and frames a point.
std::optional<PlannedSweep> best_of_points(const PlanSetting& s, int points) {
  std::optional<PlannedSweep> best;
  for (const double step : steps_of(s, points)) {
    for (const double exposure : exposures_of(s)) {
      for (int frames = 1; frames <= kMostFrames; ++frames) {
        const PlannedSweep sweep = predict(s, {points, step, frames, exposure});
        if (!best || better(s, sweep, *best)) best = sweep;
      }
    }
  }
  return best;
}

// Of one frame a point at a given exposure.
std::optional<PlannedSweep> most_accurate(const PlanSetting& s, int points, double exposure_s) {
  std::optional<PlannedSweep> best;
  for (const double step : steps_of(s, points)) {
    const PlannedSweep sweep = predict(s, {points, step, 1, exposure_s});
    if (!best || sweep.sigma_steps < best->sigma_steps) best = sweep;
  }
  return best;
}

}  // namespace

int least_points(const PlanOptions& options) {
  return options.spoiled_share > 0 ? kLeastPoints + 1 : kLeastPoints;
}

PlannedSweep predict(const PlanSetting& s, const SweepDesign& design) {
  PlannedSweep sweep;
  sweep.design = design;
  const SweepVariances variances = mean_variances(s, design, sweep.half_range_steps());
  const int frames = design.points * design.frames;
  // Each lost frame costs about as much as the first: the mean over a binomial number of them.
  const double share = s.options.spoiled_share;
  const double lost_factor =
      std::pow(1 - share + share * variances.one_lost / variances.whole, frames);
  sweep.sigma_steps = std::sqrt(variances.whole * lost_factor) * s.core_steps;
  sweep.seconds = design.points * seconds_of_position(s, design);
  const int lost = share > 0 ? 1 : 0;
  const int degrees = frames - lost - 3;
  if (degrees < 1 || !enough_left(s, design, sweep.half_range_steps(), lost)) return sweep;
  // The scatter that a run shows of itself varies from run to run: the interval counts as it is
  // in nine of ten.
  const double variance = lost > 0 ? variances.one_lost : variances.whole;
  const double half_width = student_t_quantile(0.975, degrees) * std::sqrt(variance) *
                            s.core_steps * unlucky_scatter(degrees);
  const double allowed = std::max(s.zone_steps ? s.half_zone_steps : 0.0,
                                  VerdictRules::kHalfWidthOverCore * s.core_steps);
  sweep.trusted = half_width <= kNearly * allowed;
  return sweep;
}

PlannedSweep best_sweep(const PlanSetting& setting) {
  if (setting.options.points) {
    return best_of_points(setting, *setting.options.points).value_or(PlannedSweep{});
  }
  std::optional<PlannedSweep> best;
  for (int n = least_points(setting.options); n <= kMostPoints && fits(setting, n); ++n) {
    const auto sweep = best_of_points(setting, n);
    if (sweep && (!best || better(setting, *sweep, *best))) best = sweep;
  }
  return best.value_or(PlannedSweep{});
}

std::vector<PlannedSweep> sweeps_beside(const PlanSetting& setting, const PlannedSweep& chosen) {
  std::vector<PlannedSweep> rows;
  for (const int n : {5, 7, 9, 11, 13, 15}) {
    if (!fits(setting, n)) break;
    const bool is_chosen = n == chosen.design.points && chosen.design.frames == 1;
    const auto best =
        is_chosen ? chosen : most_accurate(setting, n, chosen.design.exposure_s).value_or(chosen);
    rows.push_back(best);
  }
  const auto same = [&](const PlannedSweep& s) {
    return s.design.points == chosen.design.points && s.design.frames == chosen.design.frames;
  };
  if (std::none_of(rows.begin(), rows.end(), same)) {
    const auto after = std::find_if(rows.begin(), rows.end(), [&](const PlannedSweep& s) {
      return s.design.points > chosen.design.points;
    });
    rows.insert(after, chosen);
  }
  return rows;
}

}  // namespace starwaist::advice
