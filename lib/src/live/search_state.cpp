#include "live/search_state.h"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "starwaist/codes.h"
#include "starwaist/move.h"
#include "starwaist/numbers.h"

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

const Finding* finding_of(const RunAnswer& judged, const char* cause, double least) {
  for (const Finding& finding : judged.findings) {
    if (finding.cause == cause && finding.confidence >= least) return &finding;
  }
  return nullptr;
}

const Finding* slack_of(const RunAnswer& judged) {
  return finding_of(judged, "slack", kLeastConfidence);
}

}  // namespace

SearchState live_detail::search_state(std::vector<SearchVisit> visits, const RunAnswer& judged,
                                      const LiveRunOptions& options, SearchMemory& kept) {
  SearchState state;
  state.visits = std::move(visits);
  state.rig = judged.rig;
  state.conditions = conditions_of(options, judged.fit, judged.rig);
  state.options = options.next;
  state.verdict = judged.fit.verdict;
  state.best_focus_steps = judged.fit.best_focus_steps;
  if (const Finding* slack = slack_of(judged)) {
    state.slack_found = true;
    for (const auto& [name, value] : slack->settings) {
      if (name != "takeup_steps") continue;
      kept.slack_takeup_steps = std::max(kept.slack_takeup_steps, std::abs(value));
    }
  }
  state.no_motion_found = finding_of(judged, "no_motion", kSureConfidence) != nullptr;
  state.kept = kept;
  return state;
}

std::optional<Move> live_detail::move_after(const SearchStep& step, const RunAnswer& judged) {
  if (step.next_position_steps || !judged.move) return step.move;
  Rig rig = judged.rig;
  rig.takeup_steps = step.takeup_steps;
  return move_to(*judged.fit.best_focus_steps, step.approach, rig);
}

std::vector<Statement> live_detail::notes_on_focuser(const RunAnswer& judged,
                                                     const SearchStep& step) {
  const Finding* slack = slack_of(judged);
  if (slack == nullptr) return {};
  return {{codes::focuser_has_slack, slack->summary + " The moves take up " +
                                         format_short(step.takeup_steps) +
                                         " steps: go by way of via_steps."}};
}

}  // namespace starwaist
