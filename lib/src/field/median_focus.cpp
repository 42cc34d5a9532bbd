#include "field/median_focus.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <utility>
#include <vector>

#include "field/field_shape.h"
#include "numerics/root.h"
#include "starwaist/statistics.h"

namespace starwaist::over_field {
namespace {

constexpr int kSide = 15;  // places across the frame, each way

// Best focus at places all over the frame, less that of its centre.
std::vector<double> offsets_of(const Eigen::Vector3d& shape, const FrameMeasurement& frame) {
  std::vector<double> offsets;
  for (int i = 0; i < kSide; ++i) {
    for (int j = 0; j < kSide; ++j) {
      const ShapesAt at = shapes_at(frame, (i + 0.5) / kSide * (frame.width_px - 1),
                                    (j + 0.5) / kSide * (frame.height_px - 1));
      offsets.push_back(shape(0) * at[0] + shape(1) * at[1] + shape(2) * at[2]);
    }
  }
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

// From the centre's best focus.
double best_of_median(const StarCurve& curve, const std::vector<double>& offsets) {
  const auto ends = std::minmax_element(offsets.begin(), offsets.end());
  double best = 0.5 * (*ends.first + *ends.second);
  double reach = 0.5 * (*ends.second - *ends.first) + 1e-9;
  for (int zoom = 0; zoom < 4; ++zoom) {
    constexpr int kSteps = 20;
    double least = std::numeric_limits<double>::infinity();
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
  return best;
}

// Best focus that a fit to the stars' mean sizes gives, from the centre's; the centre's own where
// there is no fit.
double best_of_mean(const StarsOfField& data, const StarCurve& curve,
                    const Eigen::Vector3d& shape) {
  std::vector<double> sums(data.position_steps.size(), 0.0);
  std::vector<int> counts(sums.size(), 0);
  std::vector<double> own(data.stars, 0.0);
  for (const StarInFrame& row : data.rows) own[row.star] = offset_of(row, shape);
  for (std::size_t i = 0; i < sums.size(); ++i) {
    for (const double offset : own) {
      sums[i] += curve.log_size(data.position_steps[i] - offset);
      ++counts[i];
    }
  }
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < sums.size(); ++i) {
    CurvePoint& point = points.emplace_back();
    point.position_steps = data.position_steps[i];
    point.size_px = std::exp(sums[i] / counts[i]);
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
  std::vector<double> own(data.stars, 0.0);
  for (const StarInFrame& row : data.rows) own[row.star] = offset_of(row, shape);
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

double shift_of(const StarsOfField& data, const StarCurve& curve, const Eigen::Vector3d& shape,
                const FrameMeasurement& frame) {
  return best_of_median(curve, offsets_of(shape, frame)) - best_of_mean(data, curve, shape);
}

}  // namespace

MedianFocus median_focus(const StarCurve& curve, const Eigen::Vector3d& shape,
                         const FrameMeasurement& frame) {
  constexpr double kGrowth = 0.01;
  const std::vector<double> offsets = offsets_of(shape, frame);
  const double best = best_of_median(curve, offsets);
  MedianFocus focus;
  focus.best_focus_steps = curve.centre_steps() + best;
  const double limit = median_log_size(curve, offsets, best) + std::log1p(kGrowth);
  const double reach = 3 * curve.core_steps() +
                       2 * std::max(std::abs(*std::max_element(offsets.begin(), offsets.end())),
                                    std::abs(*std::min_element(offsets.begin(), offsets.end())));
  const auto grown_at = [&](double side) {
    return numerics::bisect({0, reach}, 40, [&](double away) {
      return median_log_size(curve, offsets, best + side * away) < limit;
    });
  };
  focus.flat_steps = {focus.best_focus_steps - grown_at(-1), focus.best_focus_steps + grown_at(1)};
  const double smallest = curve.log_size(curve.centre_steps());
  double largest = smallest;
  for (const double offset : offsets) {
    largest = std::max(largest, curve.log_size(curve.centre_steps() + best - offset));
  }
  focus.edge_growth = std::expm1(largest - smallest);
  return focus;
}

MedianShift median_shift(const StarsOfField& data, const StarCurve& curve,
                         const Eigen::Vector3d& shape, const Eigen::Vector3d& errors,
                         const FrameMeasurement& frame) {
  MedianShift shift;
  shift.steps = shift_of(data, curve, shape, frame);
  shift.sigma_steps = error_of_places(data, curve, shape);
  for (Eigen::Index k = 0; k < kShapes; ++k) {
    Eigen::Vector3d off = Eigen::Vector3d::Zero();
    off(k) = errors(k);
    const double change = 0.5 * (shift_of(data, curve, shape + off, frame) -
                                 shift_of(data, curve, shape - off, frame));
    shift.sigma_steps = std::hypot(shift.sigma_steps, change);
  }
  return shift;
}

}  // namespace starwaist::over_field
