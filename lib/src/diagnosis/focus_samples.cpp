#include "diagnosis/focus_samples.h"

#include <algorithm>
#include <cmath>

#include "curve/noise.h"
#include "curve/priors.h"
#include "curve/shape_fit.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

constexpr std::size_t kFewestOfCurve = 4;  // a curve has three parameters

}  // namespace

curve::Shape shape_of(const RunRecord& record) {
  if (record.fit.size_measure != SizeMeasure::hfr) return curve::Shape::hyperbola();
  return curve::Shape::blur(SeeingProfile::kolmogorov,
                            record.rig.obstruction.value_or(curve::kUsualObstruction));
}

std::optional<double> optics_slope_px_per_step(const RunRecord& record) {
  if (record.fit.size_measure != SizeMeasure::hfr) return std::nullopt;
  return arm_slope_px_per_step(record.rig);
}

curve::Samples samples_of(const RunView& run, const std::vector<std::size_t>& which) {
  curve::Samples s;
  if (which.empty()) return s;
  double low = run.position_steps(which.front());
  double high = low;
  std::vector<double> sizes;
  for (const std::size_t i : which) {
    low = std::min(low, run.position_steps(i));
    high = std::max(high, run.position_steps(i));
    sizes.push_back(*run.point(i).size_px);
  }
  s.centre_steps = low + 0.5 * (high - low);
  s.half_range_steps = high > low ? 0.5 * (high - low) : 1.0;
  s.size_unit_px = median(sizes);
  for (const std::size_t i : which) {
    s.t.push_back(s.scaled_position(run.position_steps(i)));
    s.y.push_back(*run.point(i).size_px / s.size_unit_px);
    s.own_sigma.push_back(run.point(i).sigma_px.value_or(0.0) / s.size_unit_px);
  }
  s.weight.assign(s.count(), 1.0);
  return s;
}

std::optional<HealthyCurve> fit_healthy_curve(const RunView& run) {
  const std::vector<std::size_t>& which = run.sized_points();
  std::size_t used = 0;
  for (const std::size_t i : which) used += run.point(i).used ? 1 : 0;
  if (used < kFewestOfCurve) return std::nullopt;
  curve::Samples s = samples_of(run, which);
  curve::ShapeFitter fitter(shape_of(run.record()));
  const auto leave_out_bad = [&] {
    for (std::size_t k = 0; k < which.size(); ++k) {
      if (!run.point(which[k]).used) s.weight[k] = 0;
    }
  };
  curve::weigh_relative(s);
  leave_out_bad();
  curve::ShapeFit fit = fitter.fit(s);
  if (!fit.usable) return std::nullopt;
  curve::apply_noise(curve::estimate_noise(fitter, s, fit), s);
  std::vector<double> sigma(s.count());
  for (std::size_t k = 0; k < s.count(); ++k) sigma[k] = 1 / s.weight[k];
  leave_out_bad();
  fit = fitter.refit(s, fit);
  if (!fit.usable) return std::nullopt;

  HealthyCurve curve;
  curve.best_focus_steps = s.steps(fit.parameters[0]);
  curve.smallest_px = curve::bounded_exp(fit.parameters[1]) * s.size_unit_px;
  curve.slope_px_per_step =
      curve::bounded_exp(fit.parameters[2]) * s.size_unit_px / s.half_range_steps;
  for (std::size_t i = 0; i < run.count(); ++i) {
    const double t = s.scaled_position(run.position_steps(i));
    curve.size_px.push_back(s.size_unit_px * curve::shape_size(fitter.shape(), fit.parameters, t));
  }
  curve.sigma_px = curve.size_px;  // of points without a size: as large as the curve itself
  for (std::size_t k = 0; k < which.size(); ++k) {
    curve.sigma_px[which[k]] = sigma[k] * s.size_unit_px;
  }
  curve.squares = fit.sum_of_squares;
  curve.degrees = s.used() - curve::kFreeShapeParameters;
  return curve;
}

}  // namespace starwaist::diagnosis
