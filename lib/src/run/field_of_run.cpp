#include <algorithm>
#include <cmath>

#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

void judge(const RunRecord& record, RunField& field) {
  field.verdict = record.fit.verdict;
  field.reasons = record.fit.reasons;
  const auto doubt = [&](const std::string& reason) {
    if (field.verdict == Verdict::trusted) {
      field.verdict = Verdict::doubtful;
    }
    field.reasons.push_back(reason);
  };
  constexpr int kFewStars = 20;  // in three by three zones two each
  if (field.focus->stars < kFewStars) {
    doubt("only " + std::to_string(field.focus->stars) + " stars tell the field's shape");
  }
  const double allowed =
      critical_focus_zone_steps(record.rig).value_or(0.5 * field.focus->core_steps);
  const double widest = std::max({field.focus->tilt_x_sigma_steps, field.focus->tilt_y_sigma_steps,
                                  field.focus->curvature_sigma_steps});
  if (widest > allowed) {
    doubt("tilt and curvature are known to " + format_fixed(widest, 1) +
          " steps only: take more frames or a richer field");
  }
}

}  // namespace

Result<RunField> field_of_run(const std::vector<std::string>& inputs, const RunOptions& options) {
  RunOptions closer = options;
  closer.field = true;
  auto recorded = record_run(inputs, closer);
  if (!recorded) return tl::unexpected<Error>(recorded.error());
  const RunRecord& record = recorded->record;
  if (record.frames.empty()) {
    return fail(ErrorCode::no_data, "a table does not say where its stars are",
                "Name the frames instead");
  }
  RunField field;
  field.skipped = std::move(recorded->skipped);
  field.rig = record.rig;
  field.collimation = record.collimation;
  field.focus = record.field_focus;
  if (field.focus) {
    judge(record, field);
    return field;
  }
  const auto why = focus_over_field(record.frames, record.tracks, record.fit, record.rig);
  field.verdict = Verdict::unusable;
  field.reasons = record.fit.reasons;
  if (!why) field.reasons.push_back(why.error().text());
  return field;
}

}  // namespace starwaist
