#include "field/median_focus.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>
#include <vector>

#include "field/field_shape.h"
#include "numerics/root.h"
#include "starwaist/statistics.h"

namespace starwaist::over_field {
namespace {

// Best focus of each star, less that of the field's centre.
std::vector<double> offsets_of(const StarsOfField& data, const Eigen::Vector3d& shape) {
  std::vector<double> offsets(data.stars, 0.0);
  for (const StarInFrame& row : data.rows) offsets[row.star] = offset_of(row, shape);
  return offsets;
}

double median_log_size(const StarCurve& curve, const std::vector<double>& offsets,
                       double from_centre) {
  std::vector<double> sizes;
  sizes.reserve(offsets.size());
  for (const double offset : offsets) {
    sizes.push_back(curve.log_size(curve.centre_steps() + from_centre - offset));
  }
  return median(sizes);
}

// How far from `from`, in steps of one side (-1, 1), the median size keeps below `limit`.
double reach_below(const StarCurve& curve, const std::vector<double>& offsets, double from,
                   double side, double limit) {
  const auto ends = std::minmax_element(offsets.begin(), offsets.end());
  const double reach = 3 * curve.core_steps() + *ends.second - *ends.first;
  return numerics::bisect({0, reach}, 40, [&](double away) {
    return median_log_size(curve, offsets, from + side * away) < limit;
  });
}

// From the centre's best focus. Over a tilted field the median hardly changes between two places
// half a tilt apart: the middle of where it is as good as least.
double best_of_median(const StarCurve& curve, const std::vector<double>& offsets) {
  const auto ends = std::minmax_element(offsets.begin(), offsets.end());
  double best = 0.5 * (*ends.first + *ends.second);
  double least = median_log_size(curve, offsets, best);
  double reach = 0.5 * (*ends.second - *ends.first) + 1e-9;
  for (int zoom = 0; zoom < 3; ++zoom) {
    constexpr int kSteps = 20;
    const double middle = best;
    for (int k = -kSteps; k <= kSteps; ++k) {
      const double at = middle + reach * k / kSteps;
      const double size = median_log_size(curve, offsets, at);
      if (size < least) {
        least = size;
        best = at;
      }
    }
    reach *= 2.0 / kSteps;
  }
  constexpr double kAsGood = 0.001;
  const double limit = least + kAsGood;
  return best + 0.5 * (reach_below(curve, offsets, best, 1, limit) -
                       reach_below(curve, offsets, best, -1, limit));
}

// Best focus that a fit to the stars' mean sizes gives, from the centre's; the centre's own where
// there is no fit.
double best_of_mean(const StarsOfField& data, const StarCurve& curve,
                    const Eigen::Vector3d& shape) {
  const std::vector<double> own = offsets_of(data, shape);
  std::vector<CurvePoint> points;
  for (const double position : data.position_steps) {
    double sum = 0;
    for (const double offset : own) sum += curve.log_size(position - offset);
    CurvePoint& point = points.emplace_back();
    point.position_steps = position;
    point.size_px = std::exp(sum / static_cast<double>(own.size()));
    point.sigma_px = 0.01 * *point.size_px;
  }
  const auto fit = fit_curve(points, {});
  if (!fit || !fit->best_focus_steps) return 0;
  return *fit->best_focus_steps - curve.centre_steps();
}

// Standard error of the median's best focus by where a field's stars happen to stand: those that
// were measured are as many as such a field may have. Half of them scatter about all as all do
// about an even field (the half-sample of Efron 1982, from memory).
double error_of_places(const StarsOfField& data, const StarCurve& curve,
                       const Eigen::Vector3d& shape) {
  constexpr std::size_t kHalves = 12;
  const std::vector<double> own = offsets_of(data, shape);
  std::vector<double> bests;
  std::uint32_t state = 1;  // the same halves each time
  for (std::size_t k = 0; k < kHalves; ++k) {
    std::vector<double> order = own;
    for (std::size_t i = order.size(); i > 1; --i) {
      state = state * 1664525U + 1013904223U;
      std::swap(order[i - 1], order[(state >> 16U) % i]);
    }
    order.resize((order.size() + 1) / 2);
    bests.push_back(best_of_median(curve, order));
  }
  double mean = 0;
  for (const double best : bests) mean += best / static_cast<double>(kHalves);
  double squares = 0;
  for (const double best : bests) squares += (best - mean) * (best - mean);
  return std::sqrt(squares / static_cast<double>(kHalves - 1));
}

double shift_of(const StarsOfField& data, const StarCurve& curve, const Eigen::Vector3d& shape) {
  return best_of_median(curve, offsets_of(data, shape)) - best_of_mean(data, curve, shape);
}

}  // namespace

MedianFocus median_focus(const StarsOfField& data, const StarCurve& curve,
                         const Eigen::Vector3d& shape) {
  constexpr double kGrowth = 0.01;
  const std::vector<double> offsets = offsets_of(data, shape);
  const double best = best_of_median(curve, offsets);
  MedianFocus focus;
  focus.best_focus_steps = curve.centre_steps() + best;
  const double limit = median_log_size(curve, offsets, best) + std::log1p(kGrowth);
  focus.flat_steps = {focus.best_focus_steps - reach_below(curve, offsets, best, -1, limit),
                      focus.best_focus_steps + reach_below(curve, offsets, best, 1, limit)};
  const double smallest = curve.log_size(curve.centre_steps());
  double largest = smallest;
  for (const double x : {-0.5, 0.0, 0.5}) {
    for (const double y : {-0.5, 0.0, 0.5}) {
      // As the shapes are defined: r^2 over that of the corner.
      const double offset = shape(0) * x + shape(1) * y + shape(2) * 2 * (x * x + y * y);
      largest = std::max(largest, curve.log_size(curve.centre_steps() + best - offset));
    }
  }
  focus.edge_growth = std::expm1(largest - smallest);
  return focus;
}

MedianShift median_shift(const StarsOfField& data, const StarCurve& curve,
                         const Eigen::Vector3d& shape, const Eigen::Vector3d& errors) {
  MedianShift shift;
  shift.steps = shift_of(data, curve, shape);
  shift.sigma_steps = error_of_places(data, curve, shape);
  for (Eigen::Index k = 0; k < kShapes; ++k) {
    Eigen::Vector3d off = Eigen::Vector3d::Zero();
    off(k) = errors(k);
    const double change =
        0.5 * (shift_of(data, curve, shape + off) - shift_of(data, curve, shape - off));
    shift.sigma_steps = std::hypot(shift.sigma_steps, change);
  }
  return shift;
}

}  // namespace starwaist::over_field
