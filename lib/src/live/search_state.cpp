#include "live/search_state.h"

#include <algorithm>
#include <span>
#include <utility>

#include "starwaist/move.h"

namespace starwaist {
namespace {

// The curve to plan the next frame by: the earlier run's, that of the points once it can be used,
// or the optics'.
std::optional<ObservingConditions> conditions_of(const LiveRunOptions& options,
                                                 const FitResult& fit, const Rig& rig) {
  if (options.conditions) return *options.conditions;
  auto of_points = conditions_from_runs(std::span(&fit, 1), rig);
  if (of_points && fit.verdict != Verdict::unusable) return *of_points;
  if (auto of_optics = conditions_from_optics(rig)) return *of_optics;
  return std::nullopt;
}

bool has_finding(const RunAnswer& judged, const char* cause, double least) {
  return std::any_of(judged.findings.begin(), judged.findings.end(), [&](const Finding& finding) {
    return finding.cause == cause && finding.confidence >= least;
  });
}

}  // namespace

bool live_detail::has_slack(const RunAnswer& judged) {
  return has_finding(judged, "slack", kLeastConfidence);
}

SearchState live_detail::search_state(std::vector<SearchVisit> visits, const RunAnswer& judged,
                                      const LiveRunOptions& options) {
  SearchState state;
  state.visits = std::move(visits);
  state.rig = judged.rig;
  state.conditions = conditions_of(options, judged.fit, judged.rig);
  state.options = options.next;
  state.verdict = judged.fit.verdict;
  state.best_focus_steps = judged.fit.best_focus_steps;
  state.slack_found = has_slack(judged);
  state.no_motion_found = has_finding(judged, "no_motion", kSureConfidence);
  return state;
}

std::optional<Move> live_detail::move_after(const SearchStep& step, const RunAnswer& judged) {
  if (step.next_position_steps || !judged.move) return step.move;
  Rig rig = judged.rig;
  rig.takeup_steps = step.takeup_steps;
  return move_to(*judged.fit.best_focus_steps, step.approach, rig);
}

}  // namespace starwaist
