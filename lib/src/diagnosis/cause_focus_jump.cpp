#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage focus_jump_page() {
  return {"focus_jump",
          "the focus jumped during the run",
          "Between two frames the focus moved by itself: a mirror flopped, the drawtube slipped, "
          "somebody knocked the telescope. All later frames belong to another best focus than the "
          "earlier ones.",
          "Two pieces of the same curve, moved against each other from one frame to the next.",
          "One bad frame leaves the curve and comes back to it, a jump stays. Slack flattens the "
          "beginning, a stalled focuser makes all later sizes the same.",
          "Lock or balance what can move (mirror lock, drawtube brake, cables) and repeat the run. "
          "A run that was broken by a jump says where best focus was, not where it is.",
          "common practice, no source"};
}

std::optional<Candidate> look_for_focus_jump(const RunView& run) {
  if (!run.rivals()) return std::nullopt;
  const Account& a = run.rivals()->focus_jump;
  if (a.moved_steps.empty()) return std::nullopt;
  // Sizes without a curve cannot show two pieces of one.
  constexpr double kNoCurve = 10;  // ranges
  if (!run.curve() || run.curve()->core_steps() > kNoCurve * range_steps_of(run)) {
    return std::nullopt;
  }
  // Within half of the zone it changes nothing that could be seen; the answer allows for it.
  if (run.record().fit.critical_focus_zone_steps &&
      std::abs(a.amount_steps) < tolerable_steps(run)) {
    return std::nullopt;
  }
  Candidate c;
  c.log_odds = a.log_odds;
  c.share = a.misfit_share;
  // The answer is best focus at the middle of the run: where the jump came earlier, it still holds.
  const bool small = effect_of_shift(run, a.amount_steps) == Effect::harmless;
  const bool before_middle = 2 * a.at < run.count();
  c.effect = small || before_middle ? Effect::doubtful : Effect::unusable;
  const double now = a.best_focus_steps - a.amount_steps;
  c.summary = "Between " + run.point(a.at - 1).file + " and " + run.point(a.at).file +
              " the focus jumped by about " + steps_words(run, std::abs(a.amount_steps)) +
              "; best focus was near " + steps_words(run, a.best_focus_steps) +
              " and is now near " + steps_words(run, now) + ".";
  c.evidence = {{"jump", a.amount_steps, "steps"},
                {"number of the first frame after it", static_cast<double>(a.at + 1), ""},
                {"best focus before it", a.best_focus_steps, "steps"},
                {"best focus after it", now, "steps"}};
  c.remedy = {
      codes::lock_what_moved,
      "Look for what moved (mirror, drawtube, cables, a knock), lock it, and repeat the run "
      "about " +
          steps_words(run, within_limits(run, now)) + "."};
  c.moved_steps = a.moved_steps;
  c.covers = {"no_motion"};
  return c;
}

}  // namespace

Cause cause_focus_jump() { return {focus_jump_page(), look_for_focus_jump}; }

}  // namespace starwaist::diagnosis
