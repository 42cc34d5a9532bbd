#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/focus_samples.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage step_too_small_page() {
  return {"step_too_small",
          "the steps are too small",
          "The whole sweep stays so close to best focus that the sizes change by little more than "
          "their noise. The minimum drowns in the seeing.",
          "A flat band of points with scatter; perhaps a hint of a rise at an end.",
          "A focuser that does not move gives the same picture. The optics decide: with f-number, "
          "pixel and um per step the expected change of size is known.",
          "Make the steps larger, so that the outermost stars are two to three times as large as "
          "the smallest.",
          "common practice, no source"};
}

// What the fitted curve does over the run's range.
struct SizesOfCurve {
  double noise_px = 0;  // of the points about it
  double smallest_px = 0;
  double rise_px = 0;  // largest less smallest
};

SizesOfCurve sizes_of_curve(const RunView& run) {
  const HealthyCurve& curve = *run.curve();
  double noise = 0;
  double n = 0;
  double smallest = curve.size_px[run.sized_points().front()];
  double largest = smallest;
  for (const std::size_t i : run.sized_points()) {
    if (run.point(i).used) {
      noise += std::pow(*run.point(i).size_px - curve.size_px[i], 2);
      ++n;
    }
    smallest = std::min(smallest, curve.size_px[i]);
    largest = std::max(largest, curve.size_px[i]);
  }
  return {std::sqrt(noise / std::max(1.0, n - 3)), smallest, largest - smallest};
}

double log_odds_too_small(const RunView& run, const SizesOfCurve& sizes) {
  const Rivals& r = *run.rivals();
  const auto& [noise, smallest, rise] = sizes;
  const double relative_rise = rise / smallest;
  // Flat, or a rise that a plain sweep would exceed many times over.
  constexpr double kEnoughRise = 0.3;    // of the smallest size, at the higher end
  constexpr double kEnoughSigmas = 4.0;  // of the noise
  const double shortage = std::max(kEnoughRise - relative_rise,
                                   0.5 * (kEnoughSigmas * noise / smallest - relative_rise));
  double odds = std::min(30 * shortage, 4.0);
  // A focuser that moved at first and then stood still leaves a short range, too.
  if (r.no_motion.log_odds > 0) odds = std::min(odds, 0.9 * r.no_motion.log_odds);
  // By the optics the sweep was long enough: then the focus did not move, or the noise is at fault.
  const auto rig_slope = optics_slope_px_per_step(run.record());
  // Sizes that are all alike show no more than that: the focuser may as well have stood still.
  constexpr double kOneOfTwo = 0.4;
  if (r.log_odds_flat > 0) odds = rig_slope ? std::max(odds, kOneOfTwo) : kOneOfTwo;
  if (!rig_slope) return odds;
  const double arm = *rig_slope * range_steps_of(run) / 2;
  const double expected = std::hypot(smallest, arm) - smallest;
  constexpr double kLongEnough = 0.5;  // of the smallest size
  // A sweep that is too short still shows the rise that the optics give; here it is not there.
  constexpr double kPlainlyMissing = 6;  // times the noise
  constexpr double kHardlyAny = 0.3;     // of the rise expected
  const bool missing = expected - rise > kPlainlyMissing * noise && rise < kHardlyAny * expected;
  if (expected > kLongEnough * smallest || missing) odds = std::min(odds, -2.0);
  return odds;
}

std::optional<Candidate> look_for_step_too_small(const RunView& run) {
  if (!run.rivals() || !run.curve()) return std::nullopt;
  const HealthyCurve& curve = *run.curve();
  const SizesOfCurve sizes = sizes_of_curve(run);
  const auto& [noise, smallest, rise] = sizes;
  const double odds = log_odds_too_small(run, sizes);
  if (odds < -8) return std::nullopt;
  Candidate c;
  c.log_odds = odds;
  c.share = 1;
  c.effect = Effect::doubtful;
  const Rig& rig = run.record().rig;
  const double range = range_steps_of(run);
  // Where the optics do not say it, no more than four times as wide as this one: a sweep by a
  // curve that was hardly seen may lead anywhere.
  constexpr double kReach = 6;  // widths of the curve in a sweep
  constexpr double kMostWider = 4;
  double core = std::clamp(curve.core_steps(), range / 2, kMostWider / kReach * range);
  if (const auto slope = arm_slope_px_per_step(rig)) core = std::min(smallest / *slope, 10 * range);
  const double centre =
      run.record().fit.points.empty()
          ? 0
          : 0.5 * (run.point(0).position_steps + run.point(run.count() - 1).position_steps);
  const SweepSettings sweep = sweep_about(run, centre, core);
  c.summary = "Over " + steps_words(run, range) + " the sizes change by only " +
              format_short(rise) + " px, their noise is " + format_short(noise) +
              " px: the sweep is too short to show a curve.";
  c.evidence = {{"change of size over the range", rise, "px"},
                {"noise of the sizes", noise, "px"},
                {"range", range, "steps"}};
  c.remedy = {codes::repeat_sweep,
              "Repeat the sweep " + sweep_words(run, sweep, centre) +
                  ", so that the outermost stars are two to three times as large as the smallest."};
  c.settings = settings_of(run, sweep);
  c.covers = {"one_sided"};
  return c;
}

}  // namespace

Cause cause_step_too_small() { return {step_too_small_page(), look_for_step_too_small}; }

}  // namespace starwaist::diagnosis
