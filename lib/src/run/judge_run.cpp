#include <algorithm>

#include "run/arrival.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

// Why the field's shape is not known, or only roughly.
std::vector<Statement> remarks_on_field(const RecordedRun& recorded) {
  if (!recorded.why_no_field.empty()) return {{codes::field_not_known, recorded.why_no_field}};
  const RunRecord& record = recorded.record;
  if (!record.field_focus) return {};
  std::vector<Statement> remarks;
  const FieldFocus& field = *record.field_focus;
  constexpr int kFewStars = 20;  // in three by three zones two each
  if (field.stars < kFewStars) {
    remarks.push_back({codes::few_stars_show_field,
                       "only " + std::to_string(field.stars) + " stars show the field's shape"});
  }
  const double allowed = critical_focus_zone_steps(record.rig).value_or(0.5 * field.core_steps);
  const double widest =
      std::max({field.tilt_x_sigma_steps, field.tilt_y_sigma_steps, field.curvature_sigma_steps});
  if (widest > allowed) {
    remarks.push_back(
        {codes::field_known_roughly, "tilt and curvature are known to " + format_fixed(widest, 1) +
                                         " steps only: take more frames or a richer field"});
  }
  return remarks;
}

}  // namespace

RunAnswer answer_of(const RecordedRun& recorded) {
  const RunRecord& record = recorded.record;
  Diagnosis diagnosis = diagnose(record);
  RunAnswer answer;
  answer.fit = std::move(diagnosis.fit);
  answer.findings = std::move(diagnosis.findings);
  answer.field_focus = record.field_focus;
  answer.collimation = record.collimation;
  answer.field_remarks = remarks_on_field(recorded);
  answer.skipped = recorded.skipped;
  answer.rig = record.rig;
  // Where positions have decimals the focuser counts in something else than steps.
  const bool in_steps = position_decimals(answer.fit.points) == 0;
  if (in_steps && answer.fit.best_focus_steps && answer.fit.verdict != Verdict::unusable) {
    answer.move = move_to(*answer.fit.best_focus_steps, answer.fit.approach, record.rig);
  }
  if (recorded.arrived) {
    answer.arrived = run_detail::judge_arrival(answer.fit, *recorded.arrived);
  }
  return answer;
}

Result<RunAnswer> judge_run(const RunInput& input, const RunOptions& options) {
  return record_run(input, options).map(answer_of);
}

Result<RunAnswer> judge_run(const std::vector<std::string>& inputs, const RunOptions& options) {
  return record_run(inputs, options).map(answer_of);
}

}  // namespace starwaist
