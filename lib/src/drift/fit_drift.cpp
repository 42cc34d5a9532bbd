// Checks the runs and hands them from stage to stage.
#include <cmath>

#include "drift/drift_answer.h"
#include "drift/drift_model.h"
#include "drift/drift_notes.h"
#include "drift/drift_verdict.h"
#include "drift/run_columns.h"
#include "starwaist/drift.h"

namespace starwaist {

namespace {

Result<void> check_runs(std::span<const DriftRun> runs) {
  for (const DriftRun& run : runs) {
    const auto finite = [](const std::optional<double>& value) {
      return !value || std::isfinite(*value);
    };
    const std::string where = "row " + std::to_string(run.row);
    if (!std::isfinite(run.position_steps) || !finite(run.temperature_c) ||
        !finite(run.altitude_deg)) {
      return fail(ErrorCode::invalid_argument, where + ": a number is not finite",
                  "Correct or leave out the row");
    }
    if (run.sigma_steps && !(*run.sigma_steps > 0 && std::isfinite(*run.sigma_steps))) {
      return fail(ErrorCode::invalid_argument, where + ": a sigma is not a positive number",
                  "Leave it out where it is unknown");
    }
  }
  return {};
}

}  // namespace

Result<DriftFit> fit_drift(std::span<const DriftRun> runs, const DriftOptions& options) {
  if (auto good = check_runs(runs); !good) return tl::unexpected<Error>(good.error());
  drift::ChosenRuns chosen = drift::choose_runs(runs);
  const drift::DriftModel model = drift::fit_model(std::move(chosen.columns), options);
  DriftFit fit = drift::make_answer({runs, chosen.left_out, model, options});
  drift::DriftVerdict judged = drift::judge_drift(model, fit.result, options);
  fit.result.verdict = judged.verdict;
  fit.result.reasons = std::move(judged.reasons);
  fit.result.notes = drift::make_notes({runs, model, fit.result, options});
  return fit;
}

}  // namespace starwaist
