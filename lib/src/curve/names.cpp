#include <array>
#include <cmath>

#include "curve/curve_shape.h"
#include "starwaist/curve.h"

namespace starwaist {
namespace {

std::optional<double> parameter(const ModelFit& fit, const std::string& name) {
  for (const auto& [key, value] : fit.parameters) {
    if (key == name) return value;
  }
  return std::nullopt;
}

}  // namespace

std::string model_name(CurveModel model) {
  switch (model) {
    case CurveModel::hyperbola:
      return "hyperbola";
    case CurveModel::parabola:
      return "parabola";
    case CurveModel::blur:
      return "blur";
  }
  return {};
}

std::optional<CurveModel> model_from_name(const std::string& name) {
  for (const CurveModel model : {CurveModel::hyperbola, CurveModel::parabola, CurveModel::blur}) {
    if (model_name(model) == name) return model;
  }
  return std::nullopt;
}

std::string verdict_name(Verdict verdict) {
  switch (verdict) {
    case Verdict::trusted:
      return "trusted";
    case Verdict::doubtful:
      return "doubtful";
    case Verdict::unusable:
      return "unusable";
  }
  return {};
}

const ModelFit* chosen_model(const FitResult& result) {
  for (const ModelFit& fit : result.models) {
    if (result.chosen && fit.model == *result.chosen) return &fit;
  }
  return nullptr;
}

std::optional<double> curve_size_px(const ModelFit& fit, double position_steps) {
  const auto model = model_from_name(fit.model);
  if (!model) return std::nullopt;
  if (*model == CurveModel::parabola) {
    const auto reference = parameter(fit, "reference_steps");
    const auto constant = parameter(fit, "constant_px");
    const auto linear = parameter(fit, "linear_px_per_step");
    const auto quadratic = parameter(fit, "quadratic_px_per_step2");
    if (!reference || !constant || !linear || !quadratic) return std::nullopt;
    const double x = position_steps - *reference;
    return *constant + x * (*linear + x * *quadratic);
  }
  const auto centre = parameter(fit, "centre_steps");
  const auto smallest = parameter(fit, "min_size_px");
  const auto slope = parameter(fit, "slope_px_per_step");
  if (!centre || !smallest || !slope || !(*smallest > 0)) return std::nullopt;
  const double u = *slope * (position_steps - *centre) / *smallest;
  const double a = parameter(fit, "lopsidedness").value_or(0.0);
  if (*model == CurveModel::hyperbola) return *smallest * curve::Shape::hyperbola().at(u, a).h;
  const auto obstruction = parameter(fit, "obstruction");
  const auto kolmogorov = parameter(fit, "kolmogorov_seeing");
  if (!obstruction || !kolmogorov) return std::nullopt;
  const auto profile =
      *kolmogorov > 0.5 ? curve::SeeingProfile::kolmogorov : curve::SeeingProfile::gaussian;
  return *smallest * curve::Shape::blur(profile, *obstruction).at(u, a).h;
}

}  // namespace starwaist
