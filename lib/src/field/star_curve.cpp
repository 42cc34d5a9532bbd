#include "field/star_curve.h"

#include <algorithm>

namespace starwaist::over_field {

std::optional<StarCurve> star_curve(const FitResult& fit) {
  const ModelFit* best = nullptr;
  for (const ModelFit& model : fit.models) {
    if (model.model == model_name(CurveModel::parabola)) continue;
    if (!model.slope_px_per_step || !model.min_size_px || !(*model.slope_px_per_step > 0)) continue;
    if (best == nullptr || model.weight.value_or(0) > best->weight.value_or(0)) best = &model;
  }
  if (best == nullptr) return std::nullopt;
  const auto centre = std::find_if(best->parameters.begin(), best->parameters.end(),
                                   [](const auto& p) { return p.first == "centre_steps"; });
  const double core = *best->min_size_px / *best->slope_px_per_step;
  if (centre == best->parameters.end() || !(core > 0) || !std::isfinite(core)) return std::nullopt;
  if (!curve_size_px(*best, centre->second)) return std::nullopt;
  return StarCurve(*best, centre->second, core);
}

}  // namespace starwaist::over_field
