#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage miscollimation_page() {
  return {
      "miscollimation",
      "miscollimation: the mirrors do not share one axis",
      "Out of focus a star shows the shadow of the secondary mirror. Where the mirrors are out of "
      "line the shadow lies off centre, in the same direction all over the field, and in focus "
      "the stars carry a small tail (coma).",
      "Best focus stays where it is, but the smallest stars are larger than they need be, and "
      "the rings far from focus are brighter and narrower on one side.",
      "A gradient of the sky brightens one side of the whole frame and not of each ring; a trailed "
      "star is drawn out both ways alike; a shadow that points outwards everywhere, away from the "
      "middle of the field, is the optics' own off-axis coma.",
      "Out of focus, turn the secondary's adjusting screws a little at a time until the shadow "
      "sits in the middle of a star at the centre of the field. Re-centre the star after every "
      "move, and never tighten a screw by force.",
      "shift of the shadow: ray sum of Seidel coma; the rest common practice, no source"};
}

std::optional<Candidate> look_for_miscollimation(const RunView& run) {
  const RunRecord& record = run.record();
  if (!record.collimation) return std::nullopt;
  const Collimation& seen = *record.collimation;
  // What pixels, interpolation and an uneven blur leave in a centred star's fit.
  constexpr double kFloor = 0.004;
  const double error = std::hypot(seen.sigma, kFloor);
  // Two components; the scatter of up to eight groups of stars shows the error.
  constexpr double kDegrees = 12;
  const double chance =
      std::max(f_upper_tail(0.5 * std::pow(seen.shadow_offset / error, 2), 2, kDegrees), 1e-300);
  const double sigmas = sigmas_of_chance(chance, 2);
  // Coma that the offset stands for, where the rig is known: W131 in waves.
  std::optional<double> waves;
  const auto ratio = record.rig.focal_ratio();
  if (ratio && record.rig.pixel_um) {
    const double e2 = seen.inner_over_outer * seen.inner_over_outer;
    waves = seen.shadow_offset * seen.outer_radius_px * *record.rig.pixel_um /
            (4 * *ratio * (1 - e2) * record.rig.wavelength_um);
  }
  // A quarter of what brings the best image down to Marechal's limit (W131 of 0.6 waves, balanced,
  // is a fourteenth of a wave rms; from memory); without a rig an offset that the eye just sees.
  constexpr double kLeastWaves = 0.15;
  constexpr double kLeastOffset = 0.02;
  const double over = waves ? *waves / kLeastWaves : seen.shadow_offset / kLeastOffset;
  const double relative = std::hypot(error / std::max(seen.shadow_offset, 1e-9), 0.1);
  constexpr double kUsual = 0.03;  // of runs; common practice, no source
  Candidate c;
  c.log_odds = std::min(log_ratio_of_sigmas(sigmas) + log_odds_of(kUsual),
                        std::clamp(std::log(over) / relative, -6.0, 6.0));
  c.share = std::clamp(waves.value_or(10 * seen.shadow_offset) / 2, 0.0, 1.0);
  c.effect = Effect::harmless;
  c.summary = "The central shadow of out-of-focus stars lies off centre by " +
              format_fixed(100 * seen.shadow_offset, 1) + " % of their radius, towards " +
              format_fixed(seen.angle_deg, 0) + " degrees (from +x towards +y).";
  c.evidence = {{"offset of the shadow over the donut's radius", 100 * seen.shadow_offset, "%"},
                {"its standard error", 100 * seen.sigma, "%"},
                {"its direction, from +x towards +y", seen.angle_deg, "deg"},
                {"stars that tell it", static_cast<double>(seen.stars), ""}};
  if (waves) c.evidence.push_back({"coma that this stands for", *waves, "waves"});
  c.remedy = {
      codes::collimate,
      "Collimate on an out-of-focus star near the centre of the field: a little at a time, until "
      "the shadow sits in the middle. Then focus again; best focus as measured here still stands."};
  return c;
}

}  // namespace

Cause cause_miscollimation() { return {miscollimation_page(), look_for_miscollimation}; }

}  // namespace starwaist::diagnosis
