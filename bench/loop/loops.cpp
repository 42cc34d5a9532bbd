// What loops from made sizes and from rendered frames share.
#include "loop/loops.h"

#include <algorithm>
#include <cmath>

namespace starwaist::bench {

LoopSetting draw_loop(const Telescope& telescope, const LoopOptions& options, Dice& dice) {
  LoopSetting s;
  s.telescope = &telescope;
  const double core = telescope.core_steps;
  const double farthest = options.near ? 3 : options.rendered ? 100 : 200;
  // A third near, since that is what most nights begin with.
  s.start_cores = dice.between(-1, 1) * (dice.chance(0.33) ? 3 : farthest);
  s.slack_cores = dice.chance(0.3) ? 0 : dice.between(0, 5);
  s.focus_steps = std::round(dice.between(10000, 60000)) + dice.between(0, 1) + 210 * core;
  s.rig = telescope.rig;
  s.rig.seeing_arcsec.reset();
  if (options.unknown_rig) s.rig.um_per_step.reset();
  if (options.no_takeup) s.rig.takeup_steps = 0;
  s.limited = dice.chance(0.5);
  if (s.limited) {
    const double start = s.focus_steps + s.start_cores * core;
    const double room = core * dice.between(15, 150);
    s.rig.min_position_steps =
        std::round(std::min(start, s.focus_steps) - room * dice.between(0.3, 1));
    s.rig.max_position_steps =
        std::round(std::max(start, s.focus_steps) + room * dice.between(0.3, 1));
  }
  if (dice.chance(1.0 / 3)) s.spoiled_frame = static_cast<int>(dice.between(0, 8));
  s.visible_px = dice.log_between(25, 120);
  s.seed = static_cast<std::uint64_t>(dice.between(1, 1e9));
  return s;
}

void stop(const std::optional<StopReason>& reason, Verdict verdict, Ended& ended) {
  ended.stuck = !reason;
  ended.stop = reason ? enum_name(*reason) : "nothing";
  ended.verdict = enum_name(verdict);
  ended.trusted = verdict == Verdict::trusted;
}

bool third_time(const std::vector<SearchVisit>& visits, double position_steps) {
  return std::count_if(visits.begin(), visits.end(), [&](const SearchVisit& visit) {
           return visit.size_px && std::abs(visit.position_steps - position_steps) < 0.5;
         }) > 1;
}

void conclude(const LoopSetting& setting, const Focuser& focuser, Ended& ended) {
  ended.spoiled = setting.spoiled_frame && *setting.spoiled_frame < ended.frames;
  ended.outside = focuser.was_outside();
  const double half_zone = 0.5 * *critical_focus_zone_steps(setting.telescope->rig);
  ended.error_half_zones = (focuser.true_steps() - setting.focus_steps) / half_zone;
  ended.reached = std::abs(ended.error_half_zones) < 1 && !ended.stuck;
}

}  // namespace starwaist::bench
