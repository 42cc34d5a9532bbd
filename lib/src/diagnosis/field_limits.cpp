#include "diagnosis/field_limits.h"

#include <algorithm>
#include <cmath>

#include "diagnosis/phrases.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {

FieldLimit field_limit(const RunRecord& record, double share_of_zone) {
  const auto zone = critical_focus_zone_steps(record.rig);
  if (zone) return {share_of_zone * *zone, true};
  constexpr double kShareOfCore = 0.5;
  return {kShareOfCore * record.field_focus->core_steps, false};
}

double log_odds_beyond(double value, double sigma, double degrees_of_freedom, double limit) {
  // Where the limit lies is a matter of opinion to a tenth of it.
  const double error = std::hypot(sigma, 0.1 * limit);
  const double p = student_t_cdf((value - limit) / error, std::max(degrees_of_freedom, 3.0));
  return log_odds_of(std::clamp(p, 1e-6, 1 - 1e-6));
}

Effect effect_of_field(const RunView& run, double change_steps) {
  constexpr double kElsewhere = 0.75;  // of what is tolerable; both places have errors of their own
  constexpr double kFlat = 0.85;       // the same of the flat part's half width
  const auto& best = run.record().fit.best_focus_steps;
  if (!best) return Effect::harmless;
  const FieldFocus& field = *run.record().field_focus;
  const double apart = std::abs(field.compromise_focus_steps - field.median_shift_steps - *best);
  const double tolerable = tolerable_steps(run);
  const bool flat = 0.25 * change_steps > kFlat * tolerable;
  return flat || apart > kElsewhere * tolerable ? Effect::doubtful : Effect::harmless;
}

std::string in_zones(double steps, const RunRecord& record) {
  const auto zone = critical_focus_zone_steps(record.rig);
  std::string text = format_fixed(steps, position_decimals(record.fit.points)) + " steps";
  if (zone) text += ", " + format_fixed(steps / *zone, 1) + " times the critical focus zone";
  return text;
}

}  // namespace starwaist::diagnosis
