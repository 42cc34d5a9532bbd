#include "curve/run_points.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::curve {
namespace {

// Empty where position and size can be used.
Result<void> check(const CurvePoint& p, std::size_t index) {
  const std::string name = p.file.empty() ? "point " + std::to_string(index + 1) : p.file;
  if (!std::isfinite(p.position_steps)) {
    return fail(ErrorCode::invalid_argument, name + ": the position is not a number",
                "Leave the point out or give its position");
  }
  if (p.size_px && (!std::isfinite(*p.size_px) || *p.size_px <= 0)) {
    return fail(ErrorCode::invalid_argument,
                name + ": the size " + format_fixed(*p.size_px, 3) + " is not above 0",
                "Leave the size out where the star could not be measured");
  }
  return {};
}

std::optional<double> sound_sigma_px(const CurvePoint& p) {
  const bool good = p.sigma_px && std::isfinite(*p.sigma_px) && *p.sigma_px > 0;
  return good ? p.sigma_px : std::nullopt;
}

}  // namespace

bool RunPoints::too_few() const {
  return samples.count() < static_cast<std::size_t>(VerdictRules::kFewestPoints);
}

Result<RunPoints> collect_points(std::span<const CurvePoint> points) {
  RunPoints run;
  double low = 0;
  double high = 0;
  std::vector<double> sizes;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const CurvePoint& p = points[i];
    if (auto sound = check(p, i); !sound) return tl::unexpected<Error>(sound.error());
    if (!p.size_px || !p.used) continue;
    if (run.point_of_sample.empty()) low = high = p.position_steps;
    low = std::min(low, p.position_steps);
    high = std::max(high, p.position_steps);
    run.point_of_sample.push_back(i);
    sizes.push_back(*p.size_px);
  }
  Samples& s = run.samples;
  if (sizes.empty()) return run;
  s.centre_steps = low + 0.5 * (high - low);
  s.half_range_steps = high > low ? 0.5 * (high - low) : 1.0;
  s.size_unit_px = median(sizes);
  for (const std::size_t i : run.point_of_sample) {
    s.t.push_back(s.scaled_position(points[i].position_steps));
    s.y.push_back(*points[i].size_px / s.size_unit_px);
    const auto sigma = sound_sigma_px(points[i]);
    s.own_sigma.push_back(sigma ? *sigma / s.size_unit_px : 0.0);
  }
  s.weight.assign(s.t.size(), 1.0);
  return run;
}

std::vector<CurvePoint> usable_points(const RunPoints& run, std::span<const CurvePoint> points) {
  std::vector<CurvePoint> usable;
  for (const std::size_t i : run.point_of_sample) {
    usable.push_back(points[i]);
    usable.back().sigma_px = sound_sigma_px(points[i]);
  }
  return usable;
}

std::vector<CurvePoint> with_reasons(std::span<const CurvePoint> given) {
  std::vector<CurvePoint> points(given.begin(), given.end());
  for (CurvePoint& p : points) {
    if (!p.size_px) {
      p.used = false;
      if (!p.reason) p.reason = {codes::no_size_measured, "no size was measured"};
    } else if (!p.used && !p.reason) {
      p.reason = {codes::left_out_by_caller, "left out by the caller"};
    }
  }
  return points;
}

int distinct_positions(const Samples& s, const std::vector<bool>& used) {
  std::set<double> positions;
  for (std::size_t i = 0; i < s.count(); ++i) {
    if (used[i]) positions.insert(s.t[i]);
  }
  return static_cast<int>(positions.size());
}

std::optional<Direction> approach_of(std::span<const CurvePoint> points) {
  bool rises = false;
  bool falls = false;
  for (std::size_t i = 1; i < points.size(); ++i) {
    rises = rises || points[i].position_steps > points[i - 1].position_steps;
    falls = falls || points[i].position_steps < points[i - 1].position_steps;
  }
  if (rises == falls) return std::nullopt;
  return rises ? Direction::outward : Direction::inward;
}

}  // namespace starwaist::curve

namespace starwaist {

int position_decimals(const std::vector<CurvePoint>& points) {
  constexpr int kMostDecimals = 4;
  int decimals = 0;
  for (const auto& point : points) {
    while (decimals < kMostDecimals) {
      const double scaled = point.position_steps * std::pow(10.0, decimals);
      // Half of the last decimal of a thousandth part: text such as 5.1 has no exact binary form.
      if (std::abs(scaled - std::round(scaled)) < 1e-6 * std::max(1.0, std::abs(scaled) * 1e-6)) {
        break;
      }
      ++decimals;
    }
  }
  return decimals;
}

}  // namespace starwaist
