#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/field_limits.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage field_curvature_page() {
  return {
      "field_curvature",
      "curvature: centre and corners focus at different positions",
      "The optics form their image on a bowl and the sensor is flat: where the middle is sharp the "
      "corners are not. It counts where they differ by more than the critical focus zone.",
      "The same at all four corners, growing with the square of the distance from the middle. The "
      "run's own curve is wider and shallower at the bottom than that of any single star.",
      "Tilt has opposite signs on opposite sides; coma makes corner stars larger without moving "
      "their best focus.",
      "Set the distance between flattener or corrector and sensor to what its maker says, a "
      "filter's "
      "third of its thickness included. Where it stays, focus on a ring at a third of the way to "
      "the edge, which shares the error between centre and corners.",
      "common practice, no source"};
}

std::optional<Candidate> look_for_field_curvature(const RunView& run) {
  const RunRecord& record = run.record();
  if (!record.field_focus) return std::nullopt;
  const FieldFocus& field = *record.field_focus;
  const double size = std::abs(field.curvature_steps);
  const double degrees = std::max(field.degrees_of_freedom, 3.0);
  const double chance =
      1 - student_t_cdf(size / field.curvature_sigma_steps, degrees);  // of one side
  const double sigmas = sigmas_of_chance(chance, 1);
  // A little less than the whole zone: the error of the measurement is counted beside it.
  constexpr double kShareOfZone = 0.85;
  const FieldLimit limit = field_limit(record, kShareOfZone);
  constexpr double kUsual = 0.03;  // of runs; common practice, no source
  Candidate c;
  c.log_odds = std::min(log_ratio_of_sigmas(sigmas) + log_odds_of(kUsual),
                        log_odds_beyond(size, field.curvature_sigma_steps, degrees, limit.steps));
  const double over_core = size / (2 * field.core_steps);
  c.share = over_core * over_core / (1 + over_core * over_core);
  c.effect = effect_of_field(run, size);
  // The stars' sizes scatter by it, and the smallest is larger.
  c.covers = {"few_stars", "bad_seeing"};
  c.summary = "The corners of the frame focus at " +
              std::string(field.curvature_steps > 0 ? "larger" : "smaller") +
              " positions than its centre: " + in_zones(size, record) + ".";
  c.evidence = {
      {"best focus at the corners less that at the centre", field.curvature_steps, "steps"},
      {"standard error", field.curvature_sigma_steps, "steps"},
      {"stars that show it", static_cast<double>(field.stars), ""}};
  if (limit.of_zone) {
    c.evidence.push_back({"critical focus zone", *critical_focus_zone_steps(record.rig), "steps"});
  }
  c.remedy = {codes::adjust_flattener_distance,
              std::string("Check the distance from the flattener or corrector to the sensor "
                          "against its maker's figure, and change it by small spacers.") +
                  kUntilMended};
  return c;
}

}  // namespace

Cause cause_field_curvature() { return {field_curvature_page(), look_for_field_curvature}; }

}  // namespace starwaist::diagnosis
