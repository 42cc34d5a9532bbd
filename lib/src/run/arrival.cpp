#include "run/arrival.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "numerics/root.h"

namespace starwaist::run_detail {
namespace {

// Relative scatter of the points about the curve: of all, or of the five nearest best focus where
// that is larger (the seeing acts there).
double relative_scatter(const FitResult& fit, const ModelFit& model) {
  struct Deviation {
    double distance;
    double relative;
  };
  std::vector<Deviation> deviations;
  for (const CurvePoint& p : fit.points) {
    const auto curve = curve_size_px(model, p.position_steps);
    if (!p.used || !p.size_px || !curve) continue;
    deviations.push_back(
        {std::abs(p.position_steps - *fit.best_focus_steps), (*p.size_px - *curve) / *curve});
  }
  std::sort(deviations.begin(), deviations.end(),
            [](const Deviation& a, const Deviation& b) { return a.distance < b.distance; });
  constexpr std::size_t kNear = 5;
  constexpr double kParameters = 3;
  double near = 0;
  double all = 0;
  for (std::size_t i = 0; i < deviations.size(); ++i) {
    const double square = deviations[i].relative * deviations[i].relative;
    all += square;
    if (i < kNear) near += square;
  }
  const auto n = static_cast<double>(deviations.size());
  const double degrees = std::max(1.0, n - kParameters);
  const double few = std::max(1.0, std::min<double>(kNear, n) * degrees / std::max(n, 1.0));
  return std::sqrt(std::max(all / degrees, near / few));
}

// Distance from best focus where the curve's mean of both sides reaches `size`.
std::optional<double> distance_of(const FitResult& fit, const ModelFit& model, double size_px) {
  const auto mean_size = [&](double distance) {
    return 0.5 * (*curve_size_px(model, *fit.best_focus_steps - distance) +
                  *curve_size_px(model, *fit.best_focus_steps + distance));
  };
  if (size_px <= mean_size(0)) return 0.0;
  double high = 1e-6;
  while (mean_size(high) < size_px) {
    high *= 2;
    if (high > 1e12) return std::nullopt;
  }
  return numerics::bisect({0, high}, 60, [&](double x) { return mean_size(x) < size_px; });
}

}  // namespace

Arrival judge_arrival(const FitResult& fit, const RecordedRun::ArrivedFrame& frame) {
  Arrival arrival;
  arrival.file = frame.file;
  arrival.position_steps = frame.position_steps;
  arrival.size_px = frame.size.size_px;
  const ModelFit* model = chosen_model(fit);
  if (model == nullptr || !fit.best_focus_steps) return arrival;
  arrival.expected_size_px =
      curve_size_px(*model, frame.position_steps.value_or(*fit.best_focus_steps));
  if (!arrival.expected_size_px || !frame.size.size_px) return arrival;
  arrival.sigma_px = std::hypot(frame.size.sigma_px.value_or(0.0),
                                relative_scatter(fit, *model) * *arrival.expected_size_px);
  arrival.agrees =
      *arrival.size_px <= *arrival.expected_size_px + kArrivalSigmas * *arrival.sigma_px;
  arrival.off_by_steps = distance_of(fit, *model, *arrival.size_px);
  return arrival;
}

}  // namespace starwaist::run_detail
