// Where to send the focuser next while a run is being taken, from anywhere between its limits, and
// when to stop.
//
// Module: advice.
//
// A pure function of what was visited and seen. Three stages, of which each answer names its own:
// - lost: no frame showed a star. The position at which stars are likeliest to be seen, over where
//   focus may be and over how far off it stars can be seen; each frame without stars lowers both.
// - far: sizes are many times that in focus. The slope of the arms (the rig's, else that of two
//   sizes) gives the distance, the second frame the side.
// - near: next_sample.
//
// Rules that hold in all of them:
// - Positions are whole steps within the rig's limits.
// - Without limits on a side no position is farther from what was visited than twice the range so
//   far; the first move is as long as the rig, else the start's own size, suggests.
// - No position is taken a third time unless a frame there was spoiled.
// - Every position is approached from the same side, that of the first answer; `via_steps` takes
//   the slack up.
// - `most_points` ends it. `enough` needs the verdict `trusted`, or a doubt that stayed over
//   kMostAgainstDoubt frames more than the sizes need: more of them would not end it either.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "starwaist/conditions.h"
#include "starwaist/curve.h"
#include "starwaist/error.h"
#include "starwaist/move.h"
#include "starwaist/next_sample.h"
#include "starwaist/rig.h"
#include "starwaist/statement.h"
#include "starwaist/terms.h"

namespace starwaist {

// Frames near best focus beyond those that its uncertainty asks for, against a doubt of the
// verdict.
inline constexpr int kMostAgainstDoubt = 6;

// Why there is no next position.
enum class StopReason { enough, most_points, limits, no_stars, no_motion, clouds };
std::string enum_name(StopReason reason);

// One frame of the run, in the order taken.
struct SearchVisit {
  double position_steps = 0;
  // Half-flux radius, or what the fit goes by; of rings too wide for a fit about that. Absent where
  // nothing was seen that is known to be a star.
  std::optional<double> size_px;
  bool counts = true;      // in the judgement: false for a bad point, or for rings too wide
  bool one_alone = false;  // one object was seen that no other frame confirms as a star
};

// What later states of a run have from earlier ones.
struct SearchMemory {
  std::optional<Direction> approach;  // of the first answer; absent before it
  double slack_takeup_steps = 0;      // the largest that a slack found so far asks for
};

struct SearchState {
  std::vector<SearchVisit> visits;
  Rig rig;
  // Tonight's curve; absent where neither an earlier run, the points nor the optics give one.
  std::optional<ObservingConditions> conditions;
  NextSampleOptions options;  // start_steps is not looked at
  // The judgement of the run so far.
  Verdict verdict = Verdict::unusable;
  std::optional<double> best_focus_steps;
  bool slack_found = false;
  bool no_motion_found = false;
  SearchMemory kept;
};

struct SearchStep {
  std::optional<double> next_position_steps;
  std::optional<Move> move;               // to the next position
  std::optional<StopReason> stop_reason;  // absent where there is a next position
  // From which side positions are approached: outward unless there is no room below the start. Each
  // later state keeps it.
  Direction approach = Direction::outward;
  double takeup_steps = 0;  // how far past a position to go first; 0: the focuser has no slack
  Statement reason;         // in plain words

  [[nodiscard]] bool enough() const { return stop_reason == StopReason::enough; }
};

// Precondition: at least one visit. Errors: invalid_argument for sizes or positions that are not
// finite, sizes that are not positive, or a rig or conditions that are not valid.
Result<SearchStep> next_step(const SearchState& state);

}  // namespace starwaist
