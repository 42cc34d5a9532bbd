#include "field/star_curve.h"

#include <algorithm>

namespace starwaist::over_field {

std::optional<StarCurve> star_curve(const FitResult& fit) {
  const ModelFit* best = nullptr;
  for (const ModelFit& model : fit.models) {
    if (model.model == CurveModel::parabola) continue;
    if (!model.slope_px_per_step || !model.min_size_px || !(*model.slope_px_per_step > 0)) continue;
    if (best == nullptr || model.weight.value_or(0) > best->weight.value_or(0)) best = &model;
  }
  if (best == nullptr) return std::nullopt;
  const auto* curve = std::get_if<FocusCurve>(&best->parameters);
  const double core = *best->min_size_px / *best->slope_px_per_step;
  if (curve == nullptr || !(core > 0) || !std::isfinite(core)) return std::nullopt;
  if (!curve_size_px(*best, curve->centre_steps)) return std::nullopt;
  return StarCurve(*best, curve->centre_steps, core);
}

}  // namespace starwaist::over_field
