// Tonight's settings of a focus run: step, points, frames, exposure.
//
// Module: advice.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/conditions.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/move.h"
#include "starwaist/rig.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

inline constexpr int kMostPlannedPoints = 99;

struct PlanOptions {
  double download_s = 2;  // after each exposure
  double move_s = 3;      // for each position, settling included
  // That best focus ends within half of the critical focus zone. Ignored with wanted_sigma_steps.
  double probability = 0.95;
  std::optional<double> wanted_sigma_steps;
  std::optional<double> exposure_s;    // fixed by the user
  std::optional<double> centre_steps;  // where to centre the sweep; else the conditions' best focus
  double seeing_tolerance = 0.05;      // growth of the star that the seeing's zone allows
  double spoiled_share = 0.05;         // of the frames, lost to clouds, wind or a bad measurement
  std::optional<int> points;           // fixed by the user; at most kMostPlannedPoints
  // Best focus lies within so many steps of centre_steps or, without it, of where the focuser
  // stands; absent: as near as the run says, or anywhere where neither run nor centre say it.
  std::optional<double> within_steps;
};

// How to find focus before the sweep, from where it is not known: the way that `watch` goes
// (starwaist/search.h), as far as it can be said beforehand.
struct CoarseSearch {
  bool relative = false;                // positions count from where the focuser stands
  std::vector<double> positions_steps;  // in this order until a frame shows rings or stars
  std::optional<Move> move;             // to the first of them; absent where they are relative
  double first_step_steps = 0;
  double growth = 0;
  Direction approach = Direction::outward;
  double takeup_steps = 0;
  double exposure_s = 0;
  Statement look_for;
  double widest_ring_px = 0;
  double ring_steps_per_px = 0;
  double enclosing_ratio = 0;
  int frames_expected = 0;
  int frames_at_most = 0;
};

template <>
struct Fields<CoarseSearch> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(CoarseSearch, relative, "",
                      "whether positions count from where the focuser stands"),
      STARWAIST_FIELD(CoarseSearch, positions_steps, "steps",
                      "in this order until a frame shows rings or stars"),
      STARWAIST_FIELD(CoarseSearch, move, "",
                      "to the first of them, slack taken up; null: they are relative"),
      STARWAIST_FIELD(CoarseSearch, first_step_steps, "steps", "from the first to the second"),
      STARWAIST_FIELD(CoarseSearch, growth, "",
                      "of the range visited, how far a move may go beyond it at most"),
      STARWAIST_FIELD(CoarseSearch, approach, "", "from which side positions are reached"),
      STARWAIST_FIELD(CoarseSearch, takeup_steps, "steps",
                      "how far past a position to go first, against that side"),
      STARWAIST_FIELD(CoarseSearch, exposure_s, "s", "of each frame, at least"),
      STARWAIST_FIELD(CoarseSearch, look_for, "", "what a frame may show, and what follows"),
      STARWAIST_FIELD(CoarseSearch, widest_ring_px, "px", "across, of rings that still show"),
      STARWAIST_FIELD(CoarseSearch, ring_steps_per_px, "steps/px",
                      "off best focus, for each pixel that a ring is across"),
      STARWAIST_FIELD(CoarseSearch, enclosing_ratio, "",
                      "sizes so many times the smallest on both sides of it end the search"),
      STARWAIST_FIELD(CoarseSearch, frames_expected, "", "mean over where best focus may be"),
      STARWAIST_FIELD(CoarseSearch, frames_at_most, "", "none of them spoiled"));
};
static_assert(describes_every_field<CoarseSearch>());

struct PlanAlternative {
  int points = 0;
  double step_steps = 0;
  int frames_per_point = 1;
  double exposure_s = 0;
  double expected_sigma_steps = 0;
  std::optional<double> probability_in_zone;
  double minutes = 0;
  double edge_size_ratio = 0;
  bool trusted = true;  // whether the verdict is `trusted`, one frame lost
};

template <>
struct Fields<PlanAlternative> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(PlanAlternative, points, "", "positions"),
      STARWAIST_FIELD(PlanAlternative, step_steps, "steps", "between them"),
      STARWAIST_FIELD(PlanAlternative, frames_per_point, "", "frames at each"),
      STARWAIST_FIELD(PlanAlternative, exposure_s, "s", "of each frame"),
      STARWAIST_FIELD(PlanAlternative, expected_sigma_steps, "steps",
                      "predicted standard deviation of best focus"),
      STARWAIST_FIELD(PlanAlternative, probability_in_zone, "",
                      "that best focus ends within half the zone"),
      STARWAIST_FIELD(PlanAlternative, minutes, "min", "of the whole run"),
      STARWAIST_FIELD(PlanAlternative, edge_size_ratio, "", "outermost size over the smallest"),
      STARWAIST_FIELD(PlanAlternative, trusted, "",
                      "whether the verdict can be trusted, one frame lost"));
};
static_assert(describes_every_field<PlanAlternative>());

// The answer of `plan` without its schema.
struct FocusPlan {
  std::optional<CoarseSearch> coarse;  // absent: the sweep alone finds best focus
  double step_steps = 0;
  int points = 0;
  double half_range_steps = 0;
  int frames_per_point = 1;
  double exposure_s = 0;
  double expected_sigma_steps = 0;
  double spoiled_share = 0;  // of the frames, counted as lost in what is expected
  std::optional<double> critical_focus_zone_um;
  std::optional<double> critical_focus_zone_steps;
  std::optional<double> um_per_step;
  double edge_size_ratio = 0;
  std::optional<double> probability_in_zone;
  double minutes = 0;
  double seeing_zone_tolerance = 0;      // growth of the star at the ends of the seeing's zone
  std::optional<double> seeing_zone_um;  // full width
  double seeing_zone_steps = 0;          // full width
  double core_width_steps = 0;           // B
  double smallest_size_px = 0;
  double slope_px_per_step = 0;
  double measuring_error = 0;           // relative, one frame of exposure_s
  double seeing_scatter = 0;            // relative
  double seeing_memory_s = 0;           // in which the seeing of a frame is forgotten to 1 / e
  std::optional<double> centre_steps;   // of the sweep, where known
  std::vector<double> positions_steps;  // where the centre is known, in the order to be taken
  std::optional<Move> move;             // to the first of them
  std::vector<PlanAlternative> alternatives;
  std::vector<Statement> notes;
};

template <>
struct Fields<FocusPlan> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(FocusPlan, coarse, "",
                      "how to find focus first; null: the sweep alone finds it"),
      STARWAIST_FIELD(FocusPlan, step_steps, "steps", "between positions"),
      STARWAIST_FIELD(FocusPlan, points, "", "positions"),
      STARWAIST_FIELD(FocusPlan, half_range_steps, "steps", "from centre to the ends"),
      STARWAIST_FIELD(FocusPlan, frames_per_point, "", "frames at each position"),
      STARWAIST_FIELD(FocusPlan, exposure_s, "s", "of each frame"),
      STARWAIST_FIELD(
          FocusPlan, expected_sigma_steps, "steps",
          "predicted standard deviation of best focus, frames lost as spoiled_share says"),
      STARWAIST_FIELD(FocusPlan, spoiled_share, "", "of the frames that is taken to be lost"),
      STARWAIST_FIELD(FocusPlan, critical_focus_zone_um, "um", "full width, 4 lambda N^2"),
      STARWAIST_FIELD(FocusPlan, critical_focus_zone_steps, "steps", "full width"),
      STARWAIST_FIELD(FocusPlan, um_per_step, "um", "travel of the focus for one step"),
      STARWAIST_FIELD(FocusPlan, edge_size_ratio, "", "outermost size over the smallest"),
      STARWAIST_FIELD(FocusPlan, probability_in_zone, "",
                      "that best focus ends within half the zone"),
      STARWAIST_FIELD(FocusPlan, minutes, "min", "of the whole run"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_tolerance, "",
                      "growth of the star at the ends of the seeing's zone"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_um, "um",
                      "full width in which stars grow by less than the tolerance"),
      STARWAIST_FIELD(FocusPlan, seeing_zone_steps, "steps", "the same"),
      STARWAIST_FIELD(FocusPlan, core_width_steps, "steps",
                      "smallest size over the slope of the arms"),
      STARWAIST_FIELD(FocusPlan, smallest_size_px, "px", "star in best focus"),
      STARWAIST_FIELD(FocusPlan, slope_px_per_step, "px/step", "of the arms"),
      STARWAIST_FIELD(FocusPlan, measuring_error, "", "relative error of one frame's size"),
      STARWAIST_FIELD(FocusPlan, seeing_scatter, "",
                      "relative scatter of the seeing from frame to frame"),
      STARWAIST_FIELD(FocusPlan, seeing_memory_s, "s",
                      "time in which the seeing of a frame is forgotten to 1 / e"),
      STARWAIST_FIELD(FocusPlan, centre_steps, "steps", "middle of the sweep"),
      STARWAIST_FIELD(FocusPlan, positions_steps, "steps", "where to take the frames"),
      STARWAIST_FIELD(FocusPlan, move, "",
                      "to the first of them, slack taken up; null: centre not known"),
      STARWAIST_FIELD(FocusPlan, alternatives, "", "other plans"),
      STARWAIST_FIELD(FocusPlan, notes, "", "remarks"));
};
static_assert(describes_every_field<FocusPlan>());

// The quickest sweep that reaches the wanted sigma: that with which best focus ends within half of
// the zone with `probability` (normal errors), or wanted_sigma_steps, or, where the zone is not
// known, half of the seeing's zone in place of it.
// - Searched over points, whole steps with outermost sizes of two to three times the smallest,
//   frames a point and exposures. Unless the user fixed the points they are at least what the
//   verdict `trusted` needs once one frame is lost and another is bad.
// - Where none reaches it, the most accurate within 15 minutes, and a note.
// - Where best focus may lie farther off than the sweep forgives, the way to it before.
// - Every position lies within the rig's limits; those that count from where the focuser stands do
//   as far as a move goes, and a note says so.
// Errors: invalid_argument for options that are not positive or limits that leave no room.
Result<FocusPlan> plan_run(const ObservingConditions& conditions, const Rig& rig,
                           const PlanOptions& options = {});

}  // namespace starwaist
