// The quickest sweep that reaches the goal.
//
// In: the setting of a plan. Out: sweeps with what they promise.
#pragma once

#include <vector>

#include "advice/plan_setting.h"
#include "starwaist/curve.h"

namespace starwaist::advice {

// Outermost size over the smallest. Locally D-optimal designs have their outer points at twice the
// smallest size; up to three times costs little and forgives a sweep off centre.
inline constexpr double kLeastEdge = 2;
inline constexpr double kMostEdge = 3;
// Unless the user fixes them: what the verdict needs is left where one frame is lost.
inline constexpr int kLeastPoints = VerdictRules::kTrustedPositions + 1;
// Where frames are spoiled one more: of six positions with a trailed star one run in a hundred is
// off by a third of B and does not see it, of seven one in five hundred (bench/plan_bench).
int least_points(const PlanOptions& options);
inline constexpr double kLongestMinutes = 15;

struct SweepDesign {
  int points = 0;
  double step_steps = 0;
  int frames = 1;
  double exposure_s = 0;
};

struct PlannedSweep {
  SweepDesign design;
  double sigma_steps = 0;
  double seconds = 0;
  bool trusted = false;

  [[nodiscard]] double half_range_steps() const {
    return 0.5 * (design.points - 1) * design.step_steps;
  }
};

PlannedSweep predict(const PlanSetting& setting, const SweepDesign& design);

// The best of all numbers of points, steps, exposures and frames a point. Quicker is better among
// those that reach the goal, more accurate among the others.
PlannedSweep best_sweep(const PlanSetting& setting);

// The table's rows: some numbers of points, one frame a point at the chosen exposure, the most
// accurate steps; and the chosen sweep itself.
std::vector<PlannedSweep> sweeps_beside(const PlanSetting& setting, const PlannedSweep& chosen);

}  // namespace starwaist::advice
