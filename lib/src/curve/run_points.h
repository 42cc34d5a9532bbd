// The points of one run as the caller gave them, checked and scaled for the fits.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "curve/curve_samples.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

// One sample for each usable point.
struct RunPoints {
  Samples samples;
  std::vector<std::size_t> point_of_sample;

  [[nodiscard]] bool too_few() const;  // for any curve, whatever its shape
};

// Errors: invalid_argument for a position or a size that cannot be one.
Result<RunPoints> collect_points(std::span<const CurvePoint> points);

// The usable ones, without sigmas that are none.
std::vector<CurvePoint> usable_points(const RunPoints& run, std::span<const CurvePoint> points);

// All of them; what is not used has a reason.
std::vector<CurvePoint> with_reasons(std::span<const CurvePoint> points);

// Different positions among the samples that are used.
int distinct_positions(const Samples& samples, const std::vector<bool>& used);

// Absent where the points were taken both ways, or at one place.
std::optional<Direction> approach_of(std::span<const CurvePoint> points);

}  // namespace starwaist::curve
