#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/focus_samples.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage no_motion_page() {
  return {
      "no_motion",
      "the focus did not move",
      "The counter of the focuser went on and the focus did not: a coupling slips, the motor "
      "stalls at the cold or at its stop, a cable is off, or the commands go to another device.",
      "From some frame on (or from the first) all sizes are the same but for their noise.",
      "Steps that are far too small also give equal sizes; with um per step and the optics "
      "known the expected rise distinguishes them, without it both are named. Slack stands still "
      "only at the start and then moves.",
      "Look whether the tube really moves when the position changes: screws of the coupling, "
      "plug, device, cold grease. Do not push on against a stop.",
      "common practice, no source"};
}

// The size that the far end of the sweep would have if the focus had moved by the rig's slope.
std::optional<double> expected_rise_px(const RunView& run) {
  const auto slope = optics_slope_px_per_step(run.record());
  if (!slope) return std::nullopt;
  return *slope * range_steps_of(run) / 2;
}

// All over the run.
std::optional<Candidate> whole_run(const RunView& run) {
  const Rivals& r = *run.rivals();
  if (r.log_odds_flat < 0 || !(r.flat_size_px > 0)) return std::nullopt;
  Candidate c;
  c.effect = Effect::unusable;
  c.share = 1;
  const double flat = std::min(r.log_odds_flat, 4.0);
  const auto rise = expected_rise_px(run);
  const double noise = std::max(r.flat_scatter * r.flat_size_px, 0.01 * r.flat_size_px);
  if (rise) {
    // A sweep whose middle is in focus rises at its ends to hypot(size, rise) at the least.
    const double at_ends = std::hypot(r.flat_size_px, *rise) - r.flat_size_px;
    c.log_odds = std::min(flat, 3 * (at_ends / (4 * noise) - 1));
  } else {
    c.log_odds = std::min(flat, 0.3);  // or the steps are far too small
  }
  c.summary = "All stars are " + format_short(r.flat_size_px) + " px to within " +
              percent(r.flat_scatter) + " over " + steps_words(run, range_steps_of(run)) +
              ": the focus did not move.";
  if (rise) {
    c.summary += " By the optics the sizes should change by " + format_short(*rise) + " px.";
    c.covers = {"step_too_small", "one_sided", "slack", "focus_jump", "bad_seeing"};
  } else {
    c.covers = {"one_sided", "slack", "focus_jump", "bad_seeing"};
  }
  c.evidence = {{"size of all frames", r.flat_size_px, "px"},
                {"scatter about it", 100 * r.flat_scatter, "%"},
                {"commanded range", range_steps_of(run), "steps"}};
  if (rise) c.evidence.push_back({"change that the optics give", *rise, "px"});
  return c;
}

std::optional<Candidate> from_some_frame(const RunView& run) {
  const Account& a = run.rivals()->no_motion;
  if (a.moved_steps.empty()) return std::nullopt;
  Candidate c;
  c.log_odds = a.log_odds;
  c.share = a.misfit_share;
  c.effect = Effect::unusable;
  c.summary = "From " + run.point(a.at).file +
              " on the focus stood still: the counter went on by " +
              steps_words(run, a.amount_steps) + " and the stars kept their size.";
  c.evidence = {{"number of the last frame that moved", static_cast<double>(a.at + 1), ""},
                {"commanded and not done", a.amount_steps, "steps"}};
  c.moved_steps = a.moved_steps;
  c.covers = {"step_too_small", "slack", "focus_jump", "one_sided", "bad_seeing"};
  return c;
}

std::optional<Candidate> look_for_no_motion(const RunView& run) {
  if (!run.rivals()) return std::nullopt;
  auto whole = whole_run(run);
  auto part = from_some_frame(run);
  if (whole && (!part || whole->log_odds > part->log_odds)) part = std::move(whole);
  if (!part) return std::nullopt;
  part->remedy = {
      codes::check_focuser_drive,
      "Look whether the focuser really turns the tube: coupling screws, plug, the right device, "
      "stiff grease; do not push it on against a stop. Then repeat the run."};
  return part;
}

}  // namespace

Cause cause_no_motion() { return {no_motion_page(), look_for_no_motion}; }

}  // namespace starwaist::diagnosis
