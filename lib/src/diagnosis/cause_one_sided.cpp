#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/far_out.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage one_sided_page() {
  return {"one_sided",
          "best focus lies outside the sampled range",
          "All positions lie on one side of best focus, so that the curve only falls or only rises."
          " The place of the minimum is then a guess.",
          "Sizes that fall (or rise) from the first position to the last; no point beyond the "
          "minimum.",
          "A stalled focuser also ends without a rise, but with equal sizes. Steps that are too "
          "small show neither side; there the sizes hardly change at all.",
          "Repeat the sweep about the place that the arm points to; do not go beyond the focuser's "
          "limits.",
          "common practice, no source"};
}

// Probability, by the fit's own interval, of best focus above the sampled positions; of below them
// where `sign` is -1. None where accepted causes have changed the run that was fitted.
double outside_by_fit(const RunView& run, double edge_steps, double sign) {
  const FitResult& fit = run.record().fit;
  if (!fit.best_focus_steps || !fit.best_focus_sigma_steps) return 0;
  for (std::size_t i = 0; i < run.count(); ++i) {
    if (run.spoiled(i) || run.position_steps(i) != run.point(i).position_steps) return 0;
  }
  return normal_cdf(sign * (*fit.best_focus_steps - edge_steps) / *fit.best_focus_sigma_steps);
}

// The next sweep reaches over what is not known of the place.
SweepSettings sweep_after(const RunView& run, const FarOut& far, double guess_steps) {
  return sweep_about(run, within_limits(run, guess_steps),
                     std::max(far.core_steps, far.sigma_steps));
}

Candidate of_far_run(const RunView& run, const FarOut& far) {
  const double below = far.middle_steps - far.distance_steps;
  const double above = far.middle_steps + far.distance_steps;
  Candidate c;
  // Before all that stars far out of focus look like: few, faint, large, all of one size.
  c.log_odds = far.side ? 9 : 8.5;
  c.share = 1;
  c.effect = Effect::doubtful;
  c.covers = {"step_too_large", "step_too_small", "bad_seeing", "few_stars", "no_motion"};
  c.summary = "All frames are far out of focus: stars of " + format_fixed(far.size_px, 0) +
              " px half-flux radius are about " + steps_words(run, far.distance_steps) +
              " from best focus by this rig, ";
  c.evidence = {{"half-flux radius in the middle of the run", far.size_px, "px"},
                {"distance from best focus by the rig", far.distance_steps, "steps"},
                {"its standard error", far.sigma_steps, "steps"}};
  if (!far.side) {
    c.summary += "and these frames do not show to which side.";
    c.remedy = {codes::find_the_side,
                "Take one frame near " + steps_words(run, within_limits(run, below)) +
                    " and one near " + steps_words(run, within_limits(run, above)) +
                    ": where the stars are smaller, sweep."};
    return c;
  }
  const double guess = *far.side > 0 ? above : below;
  const SweepSettings sweep = sweep_after(run, far, guess);
  c.summary += std::string("towards ") + (*far.side > 0 ? "larger" : "smaller") +
               " positions, near " + steps_words(run, within_limits(run, guess)) + ".";
  c.evidence.push_back({"rough guess of best focus", guess, "steps"});
  c.remedy = {codes::repeat_sweep, "Repeat the sweep " + sweep_words(run, sweep, guess) + "."};
  c.settings = settings_of(run, sweep);
  return c;
}

std::optional<Candidate> look_for_one_sided(const RunView& run) {
  if (const auto far = far_out(run)) return of_far_run(run, *far);
  if (!run.rivals() || !run.curve()) return std::nullopt;
  const Rivals& r = *run.rivals();
  const auto [low, high] = ends_of(run, [&](std::size_t i) { return run.position_steps(i); });
  const double is_above = std::max(r.probability_above, outside_by_fit(run, high, 1));
  const double is_below = std::max(r.probability_below, outside_by_fit(run, low, -1));
  const bool above = is_above > is_below;
  const double outside = std::max(is_above, is_below);
  // Only a slope that is there points anywhere.
  const double sloped = probability_of(-r.log_odds_flat - 2);
  // Nor an arm that hardly rises: there the steps are too small.
  double smallest = run.curve()->size_px[run.sized_points().front()];
  double largest = smallest;
  for (const std::size_t i : run.sized_points()) {
    smallest = std::min(smallest, run.curve()->size_px[i]);
    largest = std::max(largest, run.curve()->size_px[i]);
  }
  constexpr double kLeastRise = 0.25;
  const double risen = probability_of(25 * (largest / smallest - 1 - kLeastRise));
  const double p = std::clamp(outside * sloped * risen, 1e-6, 0.995);
  Candidate c;
  c.log_odds = log_odds_of(p);
  c.share = 1;
  c.effect = Effect::doubtful;
  const double edge = above ? high : low;
  const double range = high - low;
  // Where the curve has its minimum, and no farther than one range off: an arm alone says little.
  double guess = run.curve()->best_focus_steps;
  guess = above ? std::clamp(guess, edge, edge + range) : std::clamp(guess, edge - range, edge);
  const double core = std::clamp(run.curve()->core_steps(), range / 8, range);
  const SweepSettings sweep = sweep_about(run, within_limits(run, guess), core);
  c.summary = std::string("Best focus lies ") + (above ? "above" : "below") +
              " the sampled positions (" + format_short(low) + " to " + format_short(high) +
              "), perhaps near " + steps_words(run, guess) + ".";
  c.evidence = {{"chance that it lies there", 100 * outside, "%"},
                {"edge of the sampled range", edge, "steps"},
                {"rough guess of best focus", guess, "steps"}};
  c.remedy = {codes::repeat_sweep, "Repeat the sweep " + sweep_words(run, sweep, guess) + "."};
  c.settings = settings_of(run, sweep);
  c.covers = {"step_too_large", "step_too_small", "bad_seeing"};
  return c;
}

}  // namespace

Cause cause_one_sided() { return {one_sided_page(), look_for_one_sided}; }

}  // namespace starwaist::diagnosis
