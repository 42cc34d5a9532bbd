#include "advice/plan_setting.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "advice/information.h"
#include "advice/plan_search.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

// Nobody centres a sweep exactly: best focus is taken anywhere within this (B) of its middle.
constexpr double kUnknownOffset = 1;
constexpr double kLeastOffset = 0.3;
constexpr double kMostOffset = 1.5;

Result<std::optional<double>> room_between_limits(const Rig& rig, int points) {
  if (!rig.min_position_steps || !rig.max_position_steps) return std::optional<double>{};
  const double room = std::floor(*rig.max_position_steps) - std::ceil(*rig.min_position_steps);
  if (room < points - 1) {
    return fail(ErrorCode::invalid_argument,
                "the focuser's limits leave room for " + format_fixed(room, 0) +
                    " steps, fewer than " + std::to_string(points) + " positions need",
                "Correct --min-position-steps and --max-position-steps");
  }
  return std::optional(room);
}

Result<void> check_centre(const std::optional<double>& centre_steps, const Rig& rig) {
  if (!centre_steps) return {};
  const bool below = rig.min_position_steps && *centre_steps < *rig.min_position_steps;
  const bool above = rig.max_position_steps && *centre_steps > *rig.max_position_steps;
  if (!below && !above) return {};
  return fail(ErrorCode::invalid_argument,
              "best focus " + format_like_sigma(*centre_steps, 1.0) +
                  " steps lies outside the focuser's limits",
              "Correct --min-position-steps and --max-position-steps, or shorten or lengthen "
              "the distance to the camera");
}

}  // namespace

Result<PlanSetting> plan_setting(const ObservingConditions& conditions, const Rig& rig,
                                 const PlanOptions& options) {
  PlanSetting s;
  s.conditions = conditions;
  s.rig = rig;
  s.options = options;
  s.shape = shape_of(conditions.size, rig);
  s.core_steps = conditions.core_steps();
  s.centre_steps = options.centre_steps ? options.centre_steps : conditions.best_focus_steps;
  s.offset_cores = kUnknownOffset;
  if (s.centre_steps && !options.centre_steps && conditions.best_focus_sigma_steps) {
    s.offset_cores = std::clamp(2 * *conditions.best_focus_sigma_steps / s.core_steps, kLeastOffset,
                                kMostOffset);
  }
  const auto room = room_between_limits(rig, options.points.value_or(least_points(options)));
  if (!room) return tl::unexpected<Error>(room.error());
  s.room_steps = *room;
  if (auto inside = check_centre(s.centre_steps, rig); !inside) {
    return tl::unexpected<Error>(inside.error());
  }
  s.zone_steps = critical_focus_zone_steps(rig);
  s.seeing_half_steps = s.core_steps * distance_of_ratio(s.shape, 1 + options.seeing_tolerance);
  s.half_zone_steps = s.zone_steps ? 0.5 * *s.zone_steps : 0.5 * s.seeing_half_steps;
  s.wanted_sigma_steps = options.wanted_sigma_steps.value_or(
      s.half_zone_steps / normal_quantile(0.5 + 0.5 * options.probability));
  return s;
}

double shift_for_limits(const PlanSetting& setting, double half_range_steps) {
  if (!setting.centre_steps) return 0;
  const Rig& rig = setting.rig;
  double shift = 0;
  if (rig.max_position_steps) {
    shift = std::min(shift, *rig.max_position_steps - (*setting.centre_steps + half_range_steps));
  }
  if (rig.min_position_steps) {
    shift = std::max(shift, *rig.min_position_steps - (*setting.centre_steps - half_range_steps));
  }
  return shift;
}

}  // namespace starwaist::advice
