#include "advice/sweep_data.h"

#include <algorithm>
#include <cmath>

#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

Result<Scale> scale_of(std::span<const SweepRecord> records) {
  std::vector<double> positions;
  std::vector<double> sizes;
  for (const SweepRecord& record : records) {
    for (const CurvePoint& p : record) {
      if (!p.size_px) continue;
      if (!std::isfinite(p.position_steps) || !std::isfinite(*p.size_px) || !(*p.size_px > 0)) {
        return fail(ErrorCode::invalid_argument,
                    p.file + ": position and size must be finite numbers, the size above 0",
                    "Leave the point out");
      }
      positions.push_back(p.position_steps);
      sizes.push_back(*p.size_px);
    }
  }
  if (sizes.empty()) return Scale{};
  const auto [low, high] = std::minmax_element(positions.begin(), positions.end());
  Scale scale;
  scale.centre_steps = *low + 0.5 * (*high - *low);
  scale.half_range_steps = *high > *low ? 0.5 * (*high - *low) : 1;
  scale.size_px = median(sizes);
  return scale;
}

void add_point(const CurvePoint& p, int direction, SweepData& data) {
  JointSamples& s = data.samples;
  data.segments.back().points.push_back(s.count());
  s.x.push_back((p.position_steps - data.scale.centre_steps) / data.scale.half_range_steps);
  s.y.push_back(*p.size_px / data.scale.size_px);
  s.direction.push_back(direction);
  s.shift.push_back(0);
  s.weight.push_back(1);
  const bool good_sigma = p.sigma_px && std::isfinite(*p.sigma_px) && *p.sigma_px > 0;
  data.own_sigma.push_back(good_sigma ? std::optional(*p.sigma_px / *p.size_px) : std::nullopt);
  data.temperature_c.push_back(p.temperature_c);
}

void add_record(const SweepRecord& record, std::size_t index, SweepData& data) {
  JointSamples& s = data.samples;
  bool first = true;
  int direction = 0;
  for (const CurvePoint& p : record) {
    if (!p.size_px) continue;
    const double x = (p.position_steps - data.scale.centre_steps) / data.scale.half_range_steps;
    if (first) s.record_start.push_back(s.count());
    const int before = direction;
    if (!first && x > s.x.back()) direction = 1;
    if (!first && x < s.x.back()) direction = -1;
    if (before == 0 && direction != 0) {
      // The first points share the direction of the first move that is seen.
      for (std::size_t i = s.record_start.back(); i < s.count(); ++i) s.direction[i] = direction;
      if (!data.segments.empty()) data.segments.back().direction = direction;
    }
    if (first || (before != 0 && before != direction)) {
      data.segments.push_back({index, first, direction, {}});
    }
    add_point(p, direction, data);
    first = false;
  }
}

// Shift of best focus at each point from that at the mean temperature.
void shift_by_temperature(double steps_per_c, SweepData& data) {
  const std::size_t n = data.samples.count();
  double mean = 0;
  for (const auto& t : data.temperature_c) mean += *t / static_cast<double>(n);
  for (std::size_t i = 0; i < n; ++i) {
    data.samples.shift[i] =
        steps_per_c * (*data.temperature_c[i] - mean) / data.scale.half_range_steps;
  }
}

}  // namespace

Result<SweepData> collect_sweeps(std::span<const SweepRecord> records, const Rig& rig) {
  const auto scale = scale_of(records);
  if (!scale) return tl::unexpected<Error>(scale.error());
  SweepData data;
  data.scale = *scale;
  for (std::size_t r = 0; r < records.size(); ++r) add_record(records[r], r, data);
  const std::size_t n = data.samples.count();
  for (std::size_t i = 0; i < n; ++i) {
    data.samples.time.push_back(
        static_cast<double>(i) / std::max<double>(1, static_cast<double>(n) - 1) - 0.5);
  }
  const bool temperatures = std::all_of(data.temperature_c.begin(), data.temperature_c.end(),
                                        [](const auto& t) { return t.has_value(); });
  if (temperatures && rig.focus_um_per_c && rig.um_per_step) {
    shift_by_temperature(*rig.focus_um_per_c / *rig.um_per_step, data);
  }
  return data;
}

}  // namespace starwaist::advice
