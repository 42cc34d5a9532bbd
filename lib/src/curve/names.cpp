#include <cmath>
#include <variant>

#include "curve/curve_shape.h"
#include "starwaist/curve.h"

namespace starwaist {
namespace {

std::optional<double> size_px(const std::monostate&, double) { return std::nullopt; }

std::optional<double> size_px(const ParabolaCurve& curve, double position_steps) {
  const double x = position_steps - curve.reference_steps;
  return curve.constant_px + x * (curve.linear_px_per_step + x * curve.quadratic_px_per_step2);
}

std::optional<double> size_px(const FocusCurve& curve, double position_steps) {
  if (!(curve.min_size_px > 0)) return std::nullopt;
  const double u =
      curve.slope_px_per_step * (position_steps - curve.centre_steps) / curve.min_size_px;
  const auto shape = curve.blur ? curve::Shape::blur(curve.blur->seeing, curve.blur->obstruction)
                                : curve::Shape::hyperbola();
  return curve.min_size_px * shape.at(u, curve.lopsidedness.value_or(0.0)).h;
}

using NamedValues = std::vector<std::pair<std::string, double>>;

NamedValues named(const std::monostate&) { return {}; }

NamedValues named(const ParabolaCurve& curve) {
  return {{"reference_steps", curve.reference_steps},
          {"constant_px", curve.constant_px},
          {"linear_px_per_step", curve.linear_px_per_step},
          {"quadratic_px_per_step2", curve.quadratic_px_per_step2}};
}

NamedValues named(const FocusCurve& curve) {
  NamedValues values = {{"centre_steps", curve.centre_steps},
                        {"min_size_px", curve.min_size_px},
                        {"slope_px_per_step", curve.slope_px_per_step}};
  if (curve.lopsidedness) values.emplace_back("lopsidedness", *curve.lopsidedness);
  if (curve.blur) {
    values.emplace_back("obstruction", curve.blur->obstruction);
    values.emplace_back("kolmogorov_seeing",
                        curve.blur->seeing == SeeingProfile::kolmogorov ? 1.0 : 0.0);
  }
  return values;
}

}  // namespace

std::string enum_name(CurveModel model) {
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

std::vector<std::pair<std::string, double>> named_values(const CurveParameters& parameters) {
  return std::visit([](const auto& curve) { return named(curve); }, parameters);
}

const ModelFit* chosen_model(const FitResult& result) {
  for (const ModelFit& fit : result.models) {
    if (fit.model == result.chosen) return &fit;
  }
  return nullptr;
}

std::optional<double> curve_size_px(const ModelFit& fit, double position_steps) {
  return std::visit([position_steps](const auto& curve) { return size_px(curve, position_steps); },
                    fit.parameters);
}

}  // namespace starwaist
