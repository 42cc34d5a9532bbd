#include "curve/growing_blur.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "curve/curve_shape.h"
#include "curve/least_squares.h"

namespace starwaist::curve {
namespace {

// Parameters: best focus in steps, ln of the size in focus before the fog, ln of the arms' slope.
// Residuals of ln size over the points' relative errors.
class FoggedResiduals {
 public:
  static constexpr int kParameters = 3;

  FoggedResiduals(const Shape& shape, const std::vector<CurvePoint>& points, const GrowingBlur& fog)
      : shape_(shape) {
    constexpr double kSteadiest = 0.02;  // seeing, relative
    for (std::size_t i = 0; i < points.size(); ++i) {
      const CurvePoint& point = points[i];
      if (!point.used || !point.size_px) continue;
      samples_.push_back({point.position_steps, std::log(*point.size_px),
                          std::hypot(kSteadiest, point.sigma_px.value_or(0) / *point.size_px),
                          1 + fog.growth * fog.thickness[i]});
    }
  }

  [[nodiscard]] int count() const { return static_cast<int>(samples_.size()); }
  void evaluate(const double* curve, double* residuals, double* jacobian) const {
    const std::size_t rows = samples_.size();
    for (std::size_t i = 0; i < rows; ++i) {
      const Sample& sample = samples_[i];
      const double per_step = std::exp(curve[2] - curve[1]) / sample.grown;
      const double u = per_step * (sample.position_steps - curve[0]);
      const ShapeValue value = shape_.at(u);
      const double steepness = value.slope / value.h;
      residuals[i] =
          (sample.log_size - curve[1] - std::log(sample.grown * value.h)) / sample.relative;
      if (jacobian == nullptr) continue;
      jacobian[i] = steepness * per_step / sample.relative;
      jacobian[rows + i] = (steepness * u - 1) / sample.relative;
      jacobian[2 * rows + i] = -steepness * u / sample.relative;
    }
  }

 private:
  struct Sample {
    double position_steps;
    double log_size;
    double relative;  // error
    double grown;     // by the fog, of the size in focus
  };
  const Shape& shape_;
  std::vector<Sample> samples_;
};

using FoggedCurve = LeastSquares<FoggedResiduals>::Vector;

// From the healthy curve.
FoggedCurve fitted(const Shape& shape, const std::vector<CurvePoint>& points,
                   const GrowingBlur& fog) {
  const FoggedCurve start(fog.best_focus_steps, std::log(fog.smallest_px / (1 + 0.5 * fog.growth)),
                          std::log(fog.slope_px_per_step));
  const FoggedCurve typical(fog.smallest_px / fog.slope_px_per_step, 1, 1);
  const auto fit = LeastSquares<FoggedResiduals>().minimise(
      FoggedResiduals(shape, points, fog), start, typical, {.initial_trust_radius = 10});
  return fit.usable ? fit.parameters : start;
}

double fogged_size(const Shape& shape, const FoggedCurve& curve, double position_steps,
                   double grown) {
  const double in_focus = std::exp(curve(1)) * grown;
  return in_focus * shape.at(std::exp(curve(2)) * (position_steps - curve(0)) / in_focus).h;
}

}  // namespace

std::vector<CurvePoint> without_growth(std::vector<CurvePoint> points, const GrowingBlur& fog) {
  if (fog.growth == 0) return points;
  const Shape shape = Shape::blur(SeeingProfile::kolmogorov, fog.obstruction);
  const FoggedCurve curve = fitted(shape, points, fog);
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (!points[i].size_px) continue;
    const double x = points[i].position_steps;
    const double shrinks = fogged_size(shape, curve, x, 1) /
                           fogged_size(shape, curve, x, 1 + fog.growth * fog.thickness[i]);
    points[i].size_px = *points[i].size_px * shrinks;
    if (points[i].sigma_px) points[i].sigma_px = *points[i].sigma_px * shrinks;
  }
  return points;
}

}  // namespace starwaist::curve
