#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage slack_page() {
  return {"slack",
          "the slack was not taken up",
          "Gears, belts and threads have free play. When the focuser turns round, its first moves "
          "only take up that play: the counter changes and the focus stands still. A sweep that "
          "begins right after a move from the other side therefore has its first points at places "
          "where the focus never was.",
          "The first sizes of the sweep (or those after a reversal) are nearly the same, as if the "
          "focuser had stood still; then the curve begins and looks healthy. Best focus comes out "
          "off by part of the play.",
          "A single bad first frame gives one size off the curve; slack bends two or more towards "
          "the next ones. A jump moves all later points by the same amount, slack only flattens the"
          " beginning. Play of less than one step shows in the first point alone and cannot be told"
          " from a bad first frame.",
          "Before the first frame go past the start by more than the play, against the direction of"
          " the sweep, and then come back to it. Arrive at best focus in the same way. Never drive "
          "the focuser against its stop.",
          "common practice, no source"};
}

std::optional<Candidate> look_for_slack(const RunView& run) {
  if (!run.rivals()) return std::nullopt;
  const Account& a = run.rivals()->slack;
  if (a.moved_steps.empty()) return std::nullopt;
  Candidate c;
  c.log_odds = a.log_odds;
  c.share = a.misfit_share;
  // The lost steps are counted in the answer, which then rests on how well they are known.
  c.effect = std::min(effect_of_shift(run, a.shift_steps), Effect::doubtful);
  std::size_t still = 0;
  for (const double moved : a.moved_steps) still += std::abs(moved) > 0.05 * a.amount_steps ? 1 : 0;
  c.summary = "The focuser's free play of about " + steps_words(run, a.amount_steps) +
              " was not taken up: " + count_of(still, "point") +
              " at the start of the sweep (or after it turned) show the focus behind the counter. "
              "With the lost steps counted best focus comes out at " +
              steps_words(run, a.best_focus_steps) + ".";
  c.evidence = {{"free play", a.amount_steps, "steps"},
                {"points taken before it was used up", static_cast<double>(still), ""},
                {"best focus with the lost steps counted", a.best_focus_steps, "steps"}};
  if (const auto& fitted = run.record().fit.best_focus_steps) {
    c.evidence.push_back({"less what the curve gave", a.best_focus_steps - *fitted, "steps"});
  }
  constexpr double kMargin = 1.5;
  const double takeup = round_steps(run, kMargin * a.amount_steps);
  c.remedy = {
      codes::take_up_slack,
      "Before the sweep go " + steps_words(run, takeup) +
          " past its start and come back in the sweep's direction, keeping off the focuser's "
          "stop. Arrive at best focus the same way."};
  c.settings = {{"takeup_steps", takeup}};
  c.moved_steps = a.moved_steps;
  c.covers = {"step_too_small", "no_motion"};
  return c;
}

}  // namespace

Cause cause_slack() { return {slack_page(), look_for_slack}; }

}  // namespace starwaist::diagnosis
