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

// ln odds that one part of the offset is there.
double log_odds_there(double offset, double sigma) {
  // What pixels, interpolation and an uneven blur leave in a centred star's fit.
  constexpr double kFloor = 0.004;
  const double error = std::hypot(sigma, kFloor);
  // Two components; the scatter of up to eight groups of stars shows the error.
  constexpr double kDegrees = 12;
  const double chance =
      std::max(f_upper_tail(0.5 * std::pow(offset / error, 2), 2, kDegrees), 1e-300);
  constexpr double kUsual = 0.03;  // of runs; common practice, no source
  return log_ratio_of_sigmas(sigmas_of_chance(chance, 2)) + log_odds_of(kUsual);
}

// The same of a part that is `over` times the least that is worth a word.
double log_odds_notable_part(double over, double offset, double sigma) {
  const double relative = std::hypot(sigma / std::max(offset, 1e-9), 0.1);
  return std::min(log_odds_there(offset, sigma),
                  std::clamp(std::log(std::max(over, 1e-9)) / relative, -6.0, 6.0));
}

// Coma W131 in waves that its part of the offset stands for, where the rig is known.
std::optional<double> coma_waves(const Rig& rig, const Collimation& seen) {
  const auto ratio = rig.focal_ratio();
  if (!ratio || !rig.pixel_um) return std::nullopt;
  const double e2 = seen.inner_over_outer * seen.inner_over_outer;
  return seen.coma_offset * seen.outer_radius_px * *rig.pixel_um /
         (4 * *ratio * (1 - e2) * rig.wavelength_um);
}

// What coma adds to the smallest stars, relative: the variance of its rays, which land at
// 2 N W131 rho^2 (2 + cos 2a, sin 2a), beside that of a round Gaussian of this half-flux radius
// (1.1774 sigmas).
double growth_by_coma(double waves, double obstruction, const Rig& rig, double smallest_px) {
  const double e2 = obstruction * obstruction;
  const double mean_square = (1 + e2) / 2 * (1 + e2) / 2;
  const double mean_fourth = (1 + e2 + e2 * e2) / 3;
  const double unit_px = 2 * *rig.focal_ratio() * waves * rig.wavelength_um / *rig.pixel_um;
  const double variance = 0.5 * unit_px * unit_px * (5 * mean_fourth - 4 * mean_square);
  const double sigma_px = smallest_px / 1.1774;
  return 0.5 * variance / (sigma_px * sigma_px);
}

// Coma over the least that stars suffer from: 0.3 waves, or what costs them two per cent of their
// size; without a rig an offset that the eye just sees.
double over_least_coma(const RunView& run, const std::optional<double>& waves) {
  const Collimation& seen = *run.record().collimation;
  constexpr double kLeastWaves = 0.3;
  constexpr double kLeastGrowth = 0.02;
  constexpr double kLeastOffset = 0.04;
  if (!waves) return seen.coma_offset / kLeastOffset;
  double over = *waves / kLeastWaves;
  if (run.curve()) {
    const double growth =
        growth_by_coma(*waves, seen.inner_over_outer, run.record().rig, run.curve()->smallest_px);
    over = std::max(over, std::sqrt(growth / kLeastGrowth));
  }
  return over;
}

std::optional<Candidate> look_for_miscollimation(const RunView& run) {
  const RunRecord& record = run.record();
  if (!record.collimation) return std::nullopt;
  const Collimation& seen = *record.collimation;
  const std::optional<double> waves = coma_waves(record.rig, seen);
  const double by_coma =
      log_odds_notable_part(over_least_coma(run, waves), seen.coma_offset, seen.coma_sigma);
  // A secondary that stands beside the axis; less is common and harms nothing.
  constexpr double kLeastDisplaced = 0.06;
  const double displaced = seen.displaced_offset.value_or(0);
  const double by_place = log_odds_notable_part(displaced / kLeastDisplaced, displaced,
                                                seen.displaced_sigma.value_or(1));
  Candidate c;
  c.log_odds = std::max(by_coma, by_place);
  c.share = std::clamp(waves.value_or(10 * seen.coma_offset) / 2, 0.0, 1.0);
  c.effect = Effect::harmless;
  c.summary = "The central shadow of out-of-focus stars lies off centre by " +
              format_fixed(100 * seen.shadow_offset, 1) + " % of their radius, towards " +
              format_fixed(seen.angle_deg, 0) + " degrees (from +x towards +y).";
  c.evidence = {{"offset of the shadow over the donut's radius", 100 * seen.shadow_offset, "%"},
                {"its standard error", 100 * seen.sigma, "%"},
                {"its direction, from +x towards +y", seen.angle_deg, "deg"},
                {"stars that tell it", static_cast<double>(seen.stars), ""}};
  if (waves) c.evidence.push_back({"coma that this stands for", *waves, "waves"});
  if (seen.displaced_offset) {
    c.evidence.push_back({"the shadow's own displacement", 100 * displaced, "%"});
  }
  c.remedy = {
      codes::collimate,
      "Collimate on an out-of-focus star near the centre of the field: a little at a time, until "
      "the shadow sits in the middle. Then focus again; best focus as measured here still stands."};
  return c;
}

}  // namespace

Cause cause_miscollimation() { return {miscollimation_page(), look_for_miscollimation}; }

}  // namespace starwaist::diagnosis
