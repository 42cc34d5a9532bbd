// The slack of a focuser from sweeps in opposite directions.
//
// Module: advice.
//
// Model: free play of width b. The mechanism stands still after a reversal until b is used up, and
// then follows: moving inward it is at the commanded position x, moving outward at x - b, so that
// best focus is commanded b higher on the way out. All points share one focus curve, that of a
// blurred star with some freedom of its shape; best focus may drift evenly in time (the order of
// the frames) or with the temperature. Whether a sweep began with the slack taken up is weighed by
// its first points.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/fields.h"
#include "starwaist/interval.h"
#include "starwaist/move.h"
#include "starwaist/rig.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

struct BacklashOptions {
  // As the user wants it. Where neither this nor `lifting` is said, inward, or outward where only
  // that leaves room for the take-up within the rig's limits.
  std::optional<Direction> final_direction;
  // Which way the load is lifted when the telescope points up: the final move goes there, against
  // gravity, so that the load's weight keeps the slack closed (common practice, no source).
  std::optional<Direction> lifting;
  std::optional<double> altitude_deg;
};

// The rules of the verdict.
//
// unusable: no points in one of the directions, fewer than kFewestPoints usable in all, or an
//   interval that the sweeps leave open.
// doubtful: the 95 % interval is wider, to either side, than half of the focus zone, kCoreShare of
//   the curve's own width and kSlackShare of the slack, whichever is largest; the sweeps disagree
//   the wrong way; more than a third of the points do not fit; a direction has fewer than
//   kPointsPerDirection points; the temperature changed between two sweeps and nobody said what
//   that does.
struct BacklashRules {
  static constexpr int kFewestPoints = 6;
  static constexpr int kPointsPerDirection = 5;
  static constexpr double kCoreShare = 0.3;
  static constexpr double kSlackShare = 0.25;
  static constexpr double kTakeupFactor = 1.5;        // of the slack
  static constexpr double kTakeupOverUpperEnd = 1.2;  // of the interval's upper end
  // Drift of best focus between two sweeps, one standard deviation, in half zones: with two sweeps
  // it cannot be distinguished from slack, so that the interval is at least that of so much drift,
  // whether focus moved evenly or in a pause between the sweeps.
  static constexpr double kTwoSweepDrift = 0.3;
};

struct SweepSlack {
  Direction direction = Direction::outward;
  int points = 0;
  std::optional<double> best_focus_steps;  // commanded, slack taken up, at the middle of the sweep
  std::optional<double> sigma_steps;
  std::optional<double> slack_steps;  // dead travel at its beginning; absent where not seen
};

template <>
struct Fields<SweepSlack> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(SweepSlack, direction, "", "outward or inward"),
      STARWAIST_FIELD(SweepSlack, points, "", "usable points"),
      STARWAIST_FIELD(SweepSlack, best_focus_steps, "steps",
                      "commanded best focus in this direction"),
      STARWAIST_FIELD(SweepSlack, sigma_steps, "steps", "its standard deviation"),
      STARWAIST_FIELD(SweepSlack, slack_steps, "steps", "dead travel at its beginning"));
};
static_assert(describes_every_field<SweepSlack>());

// The answer of `backlash` without its schema.
struct BacklashResult {
  std::optional<double> backlash_steps;
  std::optional<double> sigma_steps;  // half of the 68 % interval
  Interval interval_95_steps;
  std::optional<double> takeup_steps;
  Direction final_direction = Direction::inward;
  // To best focus by the last sweep in the final direction; absent where no sweep shows it or the
  // verdict is unusable.
  std::optional<Move> move;
  Verdict verdict = Verdict::unusable;
  std::vector<Statement> reasons;
  std::vector<SweepSlack> sweeps;
  bool slack_found = false;           // the interval lies above 0
  std::optional<double> drift_steps;  // of best focus over all frames
  std::optional<double> drift_sigma_steps;
  bool drift_identified = false;  // three sweeps or more: distinguished from slack
  int rejected_points = 0;
  std::optional<double> remaining_steps;  // by verify_takeup
  std::optional<Interval> remaining_interval_95_steps;
  std::vector<Statement> notes;
};

template <>
struct Fields<BacklashResult> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(BacklashResult, backlash_steps, "steps", "slack"),
      STARWAIST_FIELD(BacklashResult, sigma_steps, "steps", "its standard deviation"),
      STARWAIST_FIELD(BacklashResult, interval_95_steps, "steps", "95 % interval"),
      STARWAIST_FIELD(BacklashResult, takeup_steps, "steps",
                      "how far to go past the target before the last move"),
      STARWAIST_FIELD(BacklashResult, final_direction, "", "of the last move"),
      STARWAIST_FIELD(BacklashResult, move, "", "to best focus, slack taken up; null: not known"),
      STARWAIST_FIELD(BacklashResult, verdict, "", "trusted, doubtful or unusable"),
      STARWAIST_FIELD(BacklashResult, reasons, "", "why it is not trusted"),
      STARWAIST_FIELD(BacklashResult, sweeps, "", "each sweep"),
      STARWAIST_FIELD(BacklashResult, slack_found, "", "whether the interval is above 0"),
      STARWAIST_FIELD(BacklashResult, drift_steps, "steps",
                      "drift of best focus from the first frame to the last"),
      STARWAIST_FIELD(BacklashResult, drift_sigma_steps, "steps", "its standard deviation"),
      STARWAIST_FIELD(BacklashResult, drift_identified, "",
                      "whether the sweeps tell drift from slack"),
      STARWAIST_FIELD(BacklashResult, rejected_points, "", "points that do not fit the others"),
      STARWAIST_FIELD(BacklashResult, remaining_steps, "steps",
                      "slack left in the run taken with take-up"),
      STARWAIST_FIELD(BacklashResult, remaining_interval_95_steps, "steps", "its 95 % interval"),
      STARWAIST_FIELD(BacklashResult, notes, "", "remarks"));
};
static_assert(describes_every_field<BacklashResult>());

// One record: the points of one input in the order taken, one sweep or several with the reversals
// inside. `used` is not looked at: a point counts where its size is known (a fit of mixed sweeps
// takes good points for bad).
using SweepRecord = std::vector<CurvePoint>;

// Records in the order taken. Never fails for lack of data: the verdict says it.
// Errors: invalid_argument for positions or sizes that are not finite, or sizes not above 0.
Result<BacklashResult> measure_backlash(std::span<const SweepRecord> records, const Rig& rig,
                                        const BacklashOptions& options = {});

// Slack that is left in a later run taken with take-up: from both directions where it has them,
// else from dead travel at its beginning. Fills remaining_steps, its interval and a note.
// Errors: as measure_backlash.
Result<void> verify_takeup(std::span<const SweepRecord> later, const Rig& rig,
                           BacklashResult& result);

}  // namespace starwaist
