// Loops from made sizes.
#include <cmath>
#include <cstdio>
#include <vector>

#include "live/search_state.h"
#include "loop/focuser.h"
#include "loop/loops.h"
#include "run/record_table.h"
#include "starwaist/codes.h"
#include "starwaist/search.h"

namespace starwaist::bench {
namespace {

constexpr double kRingPx = 25;       // larger ones are not measured as stars
constexpr double kRingError = 0.03;  // of their size, relative
constexpr double kSeeingScatter = 0.03;
constexpr double kMeasuring = 0.01;
constexpr double kStreakShare = 0.3;  // of the frames without stars that show one object

struct Shot {
  SearchVisit visit;
  CurvePoint point;
};

Shot shoot(const LoopSetting& setting, const Focuser& focuser, int index, Dice& dice) {
  const Telescope& t = *setting.telescope;
  const double defocus = focuser.true_steps() - setting.focus_steps;
  const double u = defocus / t.core_steps;
  const double exact =
      std::abs(u) < 7.5 ? t.size_px(defocus) : t.size_px(7.5 * t.core_steps) * std::abs(u) / 7.5;
  const double share = std::abs(u) < 7.5 ? t.share(defocus) : 0;
  Shot shot;
  shot.visit.position_steps = shot.point.position_steps = focuser.command_steps();
  shot.point.file = "frame_" + std::to_string(index);
  shot.point.used = false;
  shot.point.reason = {codes::no_star_found, "no star was found"};
  if (exact > setting.visible_px || setting.spoiled_frame == index) {
    shot.visit.one_alone = dice.chance(kStreakShare);
    return shot;
  }
  const bool ring = exact > kRingPx;
  const double noise = std::hypot(ring ? kRingError : kMeasuring, share * kSeeingScatter);
  const double size = exact * std::exp(noise * dice.normal());
  shot.visit.size_px = size;
  shot.visit.counts = !ring;
  if (ring) return shot;
  shot.point.size_px = size;
  shot.point.sigma_px = kMeasuring * size;
  shot.point.stars = 40;
  shot.point.used = true;
  shot.point.reason.reset();
  return shot;
}

}  // namespace

Ended run_made(const LoopSetting& setting, const LoopOptions& options, Dice& dice) {
  const double core = setting.telescope->core_steps;
  Focuser focuser(std::round(setting.focus_steps + setting.start_cores * core),
                  setting.slack_cores * core, dice.between(0, 1), setting.rig);
  LiveRunOptions live;
  live.run.rig = setting.rig;
  live.next.most_points = options.most_points;
  RunTable table;
  std::vector<SearchVisit> visits;
  SearchMemory kept;
  Ended ended;
  ended.stuck = true;
  while (ended.frames < options.most_points + 1) {
    const Shot shot = shoot(setting, focuser, ended.frames++, dice);
    visits.push_back(shot.visit);
    table.points.push_back(shot.point);
    table.facts.emplace_back();
    const auto recorded = run_detail::record_table(table, live.run);
    if (!recorded) break;
    const RunAnswer judged = answer_of(*recorded);
    std::vector<SearchVisit> seen = visits;
    for (std::size_t i = 0; i < seen.size(); ++i) {
      if (table.points[i].size_px) seen[i].counts = judged.fit.points[i].used;
    }
    const auto step = next_step(live_detail::search_state(std::move(seen), judged, live, kept));
    if (!step) break;
    kept.approach = step->approach;
    ended.slack_named |= !live_detail::notes_on_focuser(judged, *step).empty();
    const auto move = live_detail::move_after(*step, judged);
    char line[400];
    std::snprintf(line, sizeof line,
                  "      at %+8.2f B (true %+8.2f) size %6.2f -> %s %+8.2f  %s | %s%.100s\n",
                  (focuser.command_steps() - setting.focus_steps) / core,
                  (focuser.true_steps() - setting.focus_steps) / core,
                  shot.visit.size_px.value_or(0), enum_name(judged.fit.verdict).c_str(),
                  move ? (static_cast<double>(move->to_steps) - setting.focus_steps) / core : NAN,
                  step->reason.text.substr(0, 60).c_str(),
                  (judged.findings.empty() ? "" : judged.findings.front().cause + ": ").c_str(),
                  judged.fit.reasons.empty() ? "" : judged.fit.reasons.front().text.c_str());
    ended.trace += line;
    if (move) focuser.go(*move);
    if (step->next_position_steps) {
      ended.thrice |= third_time(visits, *step->next_position_steps);
      continue;
    }
    stop(step->stop_reason, judged.fit.verdict, ended);
    break;
  }
  conclude(setting, focuser, ended);
  return ended;
}

}  // namespace starwaist::bench
