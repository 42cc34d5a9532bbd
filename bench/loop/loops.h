// Closed loops with a pretend focuser.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "dice.h"
#include "loop/focuser.h"
#include "rendered_curve.h"
#include "starwaist/search.h"

namespace starwaist::bench {

struct LoopOptions {
  bool rendered = false;
  bool near = false;
  bool unknown_rig = false;
  bool no_takeup = false;  // the program is told that there is no slack to take up
  int most_points = 25;
};

// One loop, drawn before anything is run.
struct LoopSetting {
  const Telescope* telescope = nullptr;
  double focus_steps = 0;  // of the focus itself; where the command stands is the slack's doing
  double start_cores = 0;  // off, in B
  double slack_cores = 0;
  bool limited = false;
  Rig rig;  // what the program is told
  std::optional<int> spoiled_frame;
  double visible_px = 50;  // half-flux radius up to which stars are seen; made sizes only
  std::uint64_t seed = 1;
};

struct Ended {
  int frames = 0;
  bool reached = false;  // true error after the final move within a half zone
  bool stuck = false;  // neither a next position nor a reason to stop, or more frames than allowed
  bool outside = false;  // a position beyond the limits was asked for
  bool trusted = false;
  bool thrice = false;       // a position that showed stars twice was asked for again
  bool slack_named = false;  // in any answer
  bool spoiled = false;      // one of the frames was
  double error_half_zones = 0;
  std::string stop;
  std::string verdict;
  std::string trace;  // a line a frame
};

LoopSetting draw_loop(const Telescope& telescope, const LoopOptions& options, Dice& dice);

// The loop's end, once there is no next position.
void stop(const std::optional<StopReason>& reason, Verdict verdict, Ended& ended);
// Whether `position_steps`, the next to go to, showed stars twice already.
bool third_time(const std::vector<SearchVisit>& visits, double position_steps);
// Where the focuser stands then.
void conclude(const LoopSetting& setting, const Focuser& focuser, Ended& ended);

// From sizes with the noise of measuring and seeing; rings beyond 25 px give a distance only.
Ended run_made(const LoopSetting& setting, const LoopOptions& options, Dice& dice);

// From frames of 640 x 480 pixels with cosmic rays, through LiveRun.
Ended run_rendered(const LoopSetting& setting, const LoopOptions& options, Dice& dice);

}  // namespace starwaist::bench
