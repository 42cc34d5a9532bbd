// What a plan must reach, and where it may go.
//
// In: conditions, rig and the user's wishes. Out: the goal and the room.
#pragma once

#include <optional>

#include "curve/curve_shape.h"
#include "starwaist/plan.h"

namespace starwaist::advice {

struct PlanSetting {
  ObservingConditions conditions;
  Rig rig;
  PlanOptions options;
  curve::Shape shape;
  double core_steps = 0;               // B
  std::optional<double> centre_steps;  // of the sweep, before limits push it
  double offset_cores = 0;             // of best focus from there, at most
  std::optional<double> room_steps;    // between the limits
  std::optional<double> zone_steps;    // critical focus zone, full width
  double seeing_half_steps = 0;        // half of the seeing's zone
  double half_zone_steps = 0;          // half of the zone that best focus is to end in
  double wanted_sigma_steps = 0;
};

// Errors: invalid_argument for limits that leave no room, or that best focus lies outside of.
Result<PlanSetting> plan_setting(const ObservingConditions& conditions, const Rig& rig,
                                 const PlanOptions& options);

// Middle of a sweep less the known centre: moved where a limit is near.
double shift_for_limits(const PlanSetting& setting, double half_range_steps);

}  // namespace starwaist::advice
