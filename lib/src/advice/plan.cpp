#include "starwaist/plan.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "advice/check_conditions.h"
#include "advice/plan_coarse.h"
#include "advice/plan_notes.h"
#include "advice/plan_search.h"
#include "advice/plan_setting.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

std::optional<double> probability_in_zone(const PlanSetting& s, double sigma_steps) {
  if (!s.zone_steps) return std::nullopt;
  return 2 * normal_cdf(s.half_zone_steps / sigma_steps) - 1;
}

double edge_ratio(const PlanSetting& s, const PlannedSweep& sweep) {
  return s.shape.at(sweep.half_range_steps() / s.core_steps).h;
}

PlanAlternative alternative(const PlanSetting& s, const PlannedSweep& sweep) {
  PlanAlternative a;
  a.points = sweep.design.points;
  a.step_steps = sweep.design.step_steps;
  a.frames_per_point = sweep.design.frames;
  a.exposure_s = sweep.design.exposure_s;
  a.expected_sigma_steps = sweep.sigma_steps;
  a.probability_in_zone = probability_in_zone(s, sweep.sigma_steps);
  a.minutes = sweep.seconds / 60;
  a.edge_size_ratio = edge_ratio(s, sweep);
  a.trusted = sweep.trusted;
  return a;
}

std::vector<double> positions_of(const PlanSetting& s, const PlannedSweep& sweep,
                                 double centre_steps) {
  std::vector<double> positions;
  for (int i = 0; i < sweep.design.points; ++i) {
    double position =
        std::round(centre_steps - sweep.half_range_steps() + i * sweep.design.step_steps);
    if (s.rig.max_position_steps) {
      position = std::min(position, std::floor(*s.rig.max_position_steps));
    }
    if (s.rig.min_position_steps) {
      position = std::max(position, std::ceil(*s.rig.min_position_steps));
    }
    positions.push_back(position);
  }
  return positions;
}

// What the plan rests on.
void describe_setting(const PlanSetting& s, FocusPlan& plan) {
  if (const auto ratio = s.rig.focal_ratio()) {
    plan.critical_focus_zone_um = critical_focus_zone_um(*ratio, s.rig.wavelength_um);
  }
  plan.critical_focus_zone_steps = s.zone_steps;
  plan.um_per_step = s.rig.um_per_step;
  plan.seeing_zone_tolerance = s.options.seeing_tolerance;
  plan.seeing_zone_steps = 2 * s.seeing_half_steps;
  if (s.rig.um_per_step) plan.seeing_zone_um = plan.seeing_zone_steps * *s.rig.um_per_step;
  plan.core_width_steps = s.core_steps;
  plan.smallest_size_px = s.conditions.smallest_px;
  plan.slope_px_per_step = s.conditions.slope_px_per_step;
  plan.seeing_scatter = s.conditions.seeing_scatter;
  plan.seeing_memory_s = s.conditions.seeing_memory_s;
  plan.spoiled_share = s.options.spoiled_share;
}

FocusPlan describe(const PlanSetting& s, const PlannedSweep& chosen) {
  FocusPlan plan;
  describe_setting(s, plan);
  plan.step_steps = chosen.design.step_steps;
  plan.points = chosen.design.points;
  plan.half_range_steps = chosen.half_range_steps();
  plan.frames_per_point = chosen.design.frames;
  plan.exposure_s = chosen.design.exposure_s;
  plan.expected_sigma_steps = chosen.sigma_steps;
  plan.edge_size_ratio = edge_ratio(s, chosen);
  plan.probability_in_zone = probability_in_zone(s, chosen.sigma_steps);
  plan.minutes = chosen.seconds / 60;
  plan.measuring_error =
      s.conditions.measuring_error * std::sqrt(s.conditions.exposure_s / chosen.design.exposure_s);
  for (const PlannedSweep& sweep : sweeps_beside(s, chosen)) {
    plan.alternatives.push_back(alternative(s, sweep));
  }
  if (s.centre_steps) {
    plan.centre_steps = *s.centre_steps + shift_for_limits(s, plan.half_range_steps);
    plan.positions_steps = positions_of(s, chosen, *plan.centre_steps);
    plan.move = move_to(plan.positions_steps.front(), Direction::outward, s.rig);
  }
  plan.coarse = coarse_search(s, chosen.design.exposure_s);
  plan.notes = plan_notes(s, chosen, plan);
  return plan;
}

Result<void> check_options(const PlanOptions& options) {
  const auto not_negative = [](double v) { return std::isfinite(v) && v >= 0; };
  const auto positive = [](double v) { return std::isfinite(v) && v > 0; };
  if (not_negative(options.download_s) && not_negative(options.move_s) && options.probability > 0 &&
      options.probability < 1 && positive(options.wanted_sigma_steps.value_or(1)) &&
      positive(options.exposure_s.value_or(1)) && std::isfinite(options.centre_steps.value_or(0)) &&
      positive(options.seeing_tolerance) && positive(options.within_steps.value_or(1)) &&
      options.spoiled_share >= 0 && options.spoiled_share < 0.5 &&
      options.points.value_or(kLeastPoints) >= VerdictRules::kTrustedPoints &&
      options.points.value_or(kLeastPoints) <= kMostPlannedPoints) {
    return {};
  }
  return fail(ErrorCode::invalid_argument,
              "times must not be negative, a wanted sigma, an exposure and a distance above 0, a "
              "probability between 0 and 1, a share of spoiled frames below a half and points at "
              "least " +
                  std::to_string(VerdictRules::kTrustedPoints),
              "Correct the plan's options");
}

}  // namespace
}  // namespace advice

Result<FocusPlan> plan_run(const ObservingConditions& conditions, const Rig& rig,
                           const PlanOptions& options) {
  if (auto sound = advice::check_conditions(conditions); !sound) {
    return tl::unexpected<Error>(sound.error());
  }
  const auto valid = checked(rig);
  if (!valid) return tl::unexpected<Error>(valid.error());
  if (auto sound = advice::check_options(options); !sound) {
    return tl::unexpected<Error>(sound.error());
  }
  const auto setting = advice::plan_setting(conditions, *valid, options);
  if (!setting) return tl::unexpected<Error>(setting.error());
  return advice::describe(*setting, advice::best_sweep(*setting));
}

}  // namespace starwaist
