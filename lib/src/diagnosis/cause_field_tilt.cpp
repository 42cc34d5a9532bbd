#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/field_limits.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage field_tilt_page() {
  return {
      "field_tilt",
      "tilt: one side of the field focuses elsewhere than the other",
      "The camera does not sit square to the light: best focus changes steadily from one side of "
      "the frame to the other. It counts from about one critical focus zone between opposite "
      "sides on, since then the sides lie at the zone's limits when the middle is at its best.",
      "Each star has a curve as sharp as it should be, but those of one side have their smallest "
      "stars at other positions than those of the other side. The run's own curve is "
      "wider and shallower at the bottom.",
      "Curvature is the same at all corners; seeing changes all stars of a frame together and "
      "cancels when stars are compared within a frame. A sagging focuser tilts with the "
      "telescope's "
      "direction: repeat the run elsewhere in the sky.",
      "Tighten what carries the camera (screws, threads, the focuser's drawtube) and repeat. "
      "Where the tilt stays the same, correct it with shims or a tilt plate, a little at a time.",
      "common practice, no source; the zone from Rayleigh's quarter wave (Conrady 1957, from "
      "memory)"};
}

// "left", "upper right": the side at which best focus is at larger positions. Rows are counted from
// the first one stored, which stands at the bottom of the picture in many programs.
std::string far_side(double tilt_x, double tilt_y) {
  std::string side;
  if (std::abs(tilt_y) > 0.4 * std::abs(tilt_x)) side = tilt_y > 0 ? "last rows" : "first rows";
  if (std::abs(tilt_x) > 0.4 * std::abs(tilt_y)) {
    side += (side.empty() ? "" : " and the ") + std::string(tilt_x > 0 ? "right" : "left");
  }
  return side;
}

std::optional<Candidate> look_for_field_tilt(const RunView& run) {
  const RunRecord& record = run.record();
  if (!record.field_focus) return std::nullopt;
  const FieldFocus& field = *record.field_focus;
  const double tilt = std::hypot(field.tilt_x_steps, field.tilt_y_steps);
  if (!(tilt > 0)) return std::nullopt;
  const double x = field.tilt_x_steps / field.tilt_x_sigma_steps;
  const double y = field.tilt_y_steps / field.tilt_y_sigma_steps;
  const double r = field.tilt_correlation;
  // Hotelling's T^2 of the two tilts, as sigmas of a normal distribution.
  const double t2 = (x * x - 2 * r * x * y + y * y) / std::max(1e-6, 1 - r * r);
  const double degrees = std::max(field.degrees_of_freedom, 3.0);
  const double chance = std::max(f_upper_tail(t2 / 2, 2, degrees), 1e-300);
  const double sigmas = sigmas_of_chance(chance, 2);
  // Along the steepest direction.
  const double cx = field.tilt_x_steps / tilt;
  const double cy = field.tilt_y_steps / tilt;
  const double sigma = std::sqrt(
      std::pow(cx * field.tilt_x_sigma_steps, 2) + std::pow(cy * field.tilt_y_sigma_steps, 2) +
      2 * r * cx * cy * field.tilt_x_sigma_steps * field.tilt_y_sigma_steps);
  // Between sides of the field this far apart in focus its middle and its edges share no zone once
  // the curve's own error is added.
  constexpr double kShareOfZone = 0.75;
  const FieldLimit limit = field_limit(record, kShareOfZone);
  constexpr double kUsual = 0.03;  // of runs; common practice, no source
  Candidate c;
  c.log_odds = std::min(log_ratio_of_sigmas(sigmas) + log_odds_of(kUsual),
                        log_odds_beyond(tilt, sigma, degrees, limit.steps));
  const double over_core = tilt / field.core_steps;
  c.share = over_core * over_core / (1 + over_core * over_core);
  c.effect = effect_of_field(run, tilt);
  // The stars' sizes scatter by it, and the smallest is larger.
  c.covers = {"few_stars", "bad_seeing"};
  c.summary = "Best focus is at larger positions towards the " +
              far_side(field.tilt_x_steps, field.tilt_y_steps) +
              " of the frame: " + in_zones(tilt, record) + " between opposite sides.";
  c.evidence = {
      {"change of best focus from the left edge to the right", field.tilt_x_steps, "steps"},
      {"change of best focus from the first row to the last", field.tilt_y_steps, "steps"},
      {"standard error of the change", sigma, "steps"},
      {"stars that show it", static_cast<double>(field.stars), ""}};
  if (limit.of_zone) {
    c.evidence.push_back({"critical focus zone", *critical_focus_zone_steps(record.rig), "steps"});
  }
  c.remedy = {
      codes::correct_tilt,
      std::string(
          "Check that camera and focuser sit square and tight, then correct the tilt with shims or "
          "a tilt plate.") +
          kUntilMended};
  return c;
}

}  // namespace

Cause cause_field_tilt() { return {field_tilt_page(), look_for_field_tilt}; }

}  // namespace starwaist::diagnosis
