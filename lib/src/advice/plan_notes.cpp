#include "advice/plan_notes.h"

#include <cmath>
#include <optional>
#include <string>
#include <utility>

#include "advice/steps_text.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::advice {
namespace {

using Note = std::optional<Statement>;

Note on_push(const PlanSetting& s, double half_range_steps) {
  const double shift = shift_for_limits(s, half_range_steps);
  if (std::abs(shift) < 0.5) return std::nullopt;
  return Statement{codes::limits_push_sweep, "the focuser's limits push the sweep " +
                                                 format_fixed(std::abs(shift), 0) +
                                                 " steps off best focus"};
}

// A focuser needs some stops inside the zone to be set to its middle.
constexpr double kStopsInZone = 5;

bool is_coarse(const PlanSetting& s) { return s.zone_steps && *s.zone_steps < kStopsInZone; }

Note on_coarse_focuser(const PlanSetting& s) {
  if (!is_coarse(s)) return std::nullopt;
  const double gearing = std::ceil(kStopsInZone / *s.zone_steps);
  std::string note = "the focuser is coarse for these optics: the focus zone is " +
                     steps_text(*s.zone_steps) + " steps wide, one step moves the focus by " +
                     steps_text(*s.rig.um_per_step) + " um";
  if (*s.zone_steps < 1) note += ", so that it can step over the zone";
  return Statement{codes::focuser_too_coarse,
                   note + "; gearing it down " + format_fixed(gearing, 0) + " : 1 would give " +
                       steps_text(gearing * *s.zone_steps) + " steps across the zone"};
}

// It stops at whole steps, so that best focus may lie in the middle between two.
Note on_half_step(const PlanSetting& s) {
  constexpr double kNotable = 0.01;
  constexpr double kLeastSaid = 0.001;
  const double growth = s.shape.at(0.5 / s.core_steps).h - 1;
  if (!is_coarse(s) && growth < kNotable) return std::nullopt;
  const std::string cost = growth < kLeastSaid ? "less than " + format_short(100 * kLeastSaid)
                                               : format_short(100 * growth);
  return Statement{codes::half_step_costs,
                   "the focuser stops at whole steps only: where best focus lies in the middle "
                   "between two, stars are " +
                       cost + " % larger than they could be"};
}

Note on_wide_edge(double edge) {
  if (edge <= kMostEdge * 1.1) return std::nullopt;
  return Statement{codes::outermost_stars_wide,
                   "even with single steps the outermost stars are " + format_fixed(edge, 1) +
                       " times the smallest: rings that wide may be hard to measure"};
}

Note on_shallow_edge(double edge) {
  if (edge >= kLeastEdge * 0.9) return std::nullopt;
  return Statement{
      codes::curve_will_be_shallow,
      "the focuser's limits leave room only for a shallow curve: the outermost stars are " +
          format_fixed(edge, 1) + " times the smallest"};
}

Note on_undersampling(const ObservingConditions& conditions) {
  const bool hfr = conditions.size == SizeMeasure::hfr;
  if (conditions.smallest_px >= (hfr ? 1.0 : 2.0)) return std::nullopt;
  return Statement{codes::frame_will_be_undersampled,
                   "the star in focus is only " + steps_text(conditions.smallest_px) +
                       (hfr ? " px in half-flux radius" : " px wide") +
                       ": the frame is undersampled, its pixel sets the smallest size"};
}

Note on_seeing(const PlanSetting& s) {
  constexpr double kNotable = 1.2;
  if (!s.zone_steps || 2 * s.seeing_half_steps <= kNotable * 2 * s.half_zone_steps) {
    return std::nullopt;
  }
  return Statement{codes::seeing_hides_zone, "tonight's seeing hides more than the zone: within " +
                                                 steps_text(s.seeing_half_steps) +
                                                 " steps of best focus a star grows by less than " +
                                                 format_fixed(100 * s.options.seeing_tolerance, 0) +
                                                 " %"};
}

Note on_goal(const PlanSetting& s, const PlannedSweep& chosen) {
  if (chosen.sigma_steps > s.wanted_sigma_steps) {
    return Statement{codes::accuracy_out_of_reach,
                     "no plan within " + format_fixed(kLongestMinutes, 0) +
                         " minutes reaches the wanted " + steps_text(s.wanted_sigma_steps) +
                         " steps; this is the most accurate"};
  }
  if (chosen.trusted) return std::nullopt;
  return Statement{codes::verdict_will_be_doubtful,
                   "with this noise the run's verdict will often be doubtful"};
}

// Two frames at each leave every position where one of them is lost.
Note on_no_frame_to_spare(const PlannedSweep& chosen) {
  if (chosen.design.points >= kLeastPoints || chosen.design.frames > 1) return std::nullopt;
  return Statement{codes::no_frame_to_spare,
                   std::to_string(chosen.design.points) +
                       " positions of one frame leave none to spare: a lost one makes the verdict "
                       "doubtful"};
}

Note on_limits_of_search(const PlanSetting& s, const FocusPlan& plan) {
  if (!plan.coarse || !plan.coarse->relative) return std::nullopt;
  const auto& [low, high] = std::pair(s.rig.min_position_steps, s.rig.max_position_steps);
  if (!low && !high) return std::nullopt;
  std::string limits = low ? "below " + steps_text(*low) : "";
  if (high) limits += (low ? " or above " : "above ") + steps_text(*high);
  return Statement{codes::keep_to_limits,
                   "where the focuser stands is not known: leave out positions " + limits};
}

Note on_centre(const PlanSetting& s, const FocusPlan& plan) {
  if (s.centre_steps || plan.coarse) return std::nullopt;
  return Statement{codes::centre_the_sweep,
                   "centre the sweep within " + steps_text(s.offset_cores * s.core_steps) +
                       " steps of best focus, or sweep once more around what the first finds"};
}

}  // namespace

std::vector<Statement> plan_notes(const PlanSetting& setting, const PlannedSweep& chosen,
                                  const FocusPlan& plan) {
  std::vector<Statement> notes;
  for (const Note& note :
       {on_push(setting, plan.half_range_steps), on_coarse_focuser(setting), on_half_step(setting),
        on_wide_edge(plan.edge_size_ratio), on_shallow_edge(plan.edge_size_ratio),
        on_undersampling(setting.conditions), on_seeing(setting), on_goal(setting, chosen),
        on_no_frame_to_spare(chosen), on_limits_of_search(setting, plan),
        on_centre(setting, plan)}) {
    if (note) notes.push_back(*note);
  }
  notes.insert(notes.end(), setting.conditions.notes.begin(), setting.conditions.notes.end());
  return notes;
}

}  // namespace starwaist::advice
