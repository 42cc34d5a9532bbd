#include <algorithm>
#include <cmath>

#include "curve/bad_points.h"
#include "curve/fit_models.h"
#include "curve/known_slope.h"
#include "curve/located.h"
#include "curve/run_points.h"
#include "curve/verdict_facts.h"
#include "starwaist/codes.h"
#include "starwaist/curve.h"
#include "starwaist/numbers.h"

namespace starwaist {
namespace curve {
namespace {

// The answer by a known slope in place of the points' own.
FitResult with_answer(FitResult result, KnownSlopeAnswer answer) {
  result.verdict = Verdict::doubtful;
  result.reasons = {std::move(answer.reason)};
  result.best_focus_steps = answer.best_focus_steps;
  result.best_focus_sigma_steps = answer.sigma_steps;
  result.interval_68_steps = answer.interval_68_steps;
  result.interval_95_steps = answer.interval_95_steps;
  result.probability_in_zone = answer.probability_in_zone;
  result.chosen = answer.model.model;
  for (ModelFit& other : result.models) {
    if (other.weight) other.weight = 0;
  }
  const auto same =
      std::find_if(result.models.begin(), result.models.end(),
                   [&answer](const ModelFit& m) { return m.model == answer.model.model; });
  if (same == result.models.end()) {
    result.models.push_back(answer.model);
  } else {
    *same = answer.model;
  }
  return result;
}

// One to three points and a known rig; absent where that is not the case.
std::optional<FitResult> answer_few_points(const RunPoints& run, const Rig& rig,
                                           const FitResult& result) {
  if (!run.too_few() || result.size_measure != SizeMeasure::hfr) return std::nullopt;
  auto answer = locate_by_rig(usable_points(run, result.points), rig);
  if (!answer) return std::nullopt;
  if (answer->best_focus_steps) return with_answer(result, std::move(*answer));
  FitResult unusable = result;
  unusable.verdict = Verdict::unusable;
  unusable.reasons = {std::move(answer->reason)};
  return unusable;
}

void take_rejection(Rejection rejection, FitResult& result) {
  result.points = std::move(rejection.points);
  result.notes.insert(result.notes.end(), rejection.notes.begin(), rejection.notes.end());
}

// Best focus of a run that is unusable by itself, from what other runs say. `result` stays as it is
// where they say nothing, but for a reason more where they say why. `points`: the caller's.
FitResult answer_by_arms(const RunPoints& run, std::span<const CurvePoint> points,
                         const KnownArms& arms, const Rig& rig, FitResult result) {
  auto answer = locate_by_arms(usable_points(run, points), arms, rig);
  if (!answer) return result;
  if (!answer->best_focus_steps) {
    if (!answer->reason.text.empty()) result.reasons.push_back(std::move(answer->reason));
    return result;
  }
  const std::vector<double> bad = answer->bad;
  if (!run.too_few()) {
    for (const Statement& reason : result.reasons) answer->reason.text += " (" + reason.text + ")";
  }
  // What the points' own fit said of them goes with it.
  result.points = with_reasons(points);
  result.notes.clear();
  result = with_answer(std::move(result), std::move(*answer));
  take_rejection(reject_points(run, bad, result), result);
  return result;
}

std::vector<Statement> notes_on_parabola(const std::vector<ModelFit>& models,
                                         const FitOptions& options) {
  if (options.model != CurveModel::parabola) return {};
  std::string note =
      "a parabola in the size is pulled towards the side where more was sampled: by about a tenth "
      "of the curve's width for a mildly lopsided sweep, by most of it for a strongly lopsided one";
  for (const ModelFit& fit : models) {
    if (fit.model == CurveModel::hyperbola && fit.best_focus_steps) {
      note += "; the hyperbola gives " +
              format_like_sigma(*fit.best_focus_steps, fit.best_focus_sigma_steps);
    }
  }
  return {{codes::parabola_is_pulled, note}};
}

void take_combined(const CombinedAnswer& combined, const Samples& samples,
                   std::vector<ModelAnswer> answers, FitResult& result) {
  result.chosen = combined.chosen;
  take_focus(combined.focus, result);
  const bool by_one_sigma = result.best_focus_steps && !result.interval_95_steps.bounded();
  for (ModelAnswer& a : answers) {
    if (by_one_sigma) {
      a.fit = located(samples, a.parts, a.fit, Located::by_one_sigma);
    }
    result.models.push_back(a.fit);
  }
}

FitResult fit_alone(const RunPoints& run, std::span<const CurvePoint> points, const Rig& rig,
                    const FitOptions& options) {
  FitResult result;
  result.points = with_reasons(points);
  result.size_measure = options.size;
  result.approach = approach_of(points);
  result.critical_focus_zone_steps = rig.known() ? critical_focus_zone_steps(rig) : std::nullopt;
  FittedModels fitted = fit_models(run, rig, options);
  const CombinedAnswer combined =
      combine(run.samples, fitted.answers, result.critical_focus_zone_steps);
  take_combined(combined, run.samples, std::move(fitted.answers), result);
  if (auto few = answer_few_points(run, rig, result)) return *std::move(few);
  Rejection rejection = reject_points(run, fitted.bad, result);
  const std::vector<bool> used = rejection.used;
  take_rejection(std::move(rejection), result);
  for (const auto& notes : {notes_on_sigmas(result), notes_on_parabola(result.models, options)}) {
    result.notes.insert(result.notes.end(), notes.begin(), notes.end());
  }
  judge_fit(run, used, rig, result);
  return result;
}

}  // namespace
}  // namespace curve

Result<FitResult> fit_curve(std::span<const CurvePoint> points, const Rig& rig,
                            const FitOptions& options) {
  auto run = curve::collect_points(points);
  if (!run) return tl::unexpected<Error>(run.error());
  FitResult result = curve::fit_alone(*run, points, rig, options);
  const auto& arms = options.known_arms;
  if (!arms || arms->size != options.size) return result;
  if (options.model && *options.model != curve::kModelOfArms) return result;
  if (result.verdict == Verdict::unusable) {
    return curve::answer_by_arms(*run, points, *arms, rig, std::move(result));
  }
  return result;
}

}  // namespace starwaist
