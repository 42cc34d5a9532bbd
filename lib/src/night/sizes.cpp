#include "night/sizes.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kSizeFloor = 0.006;  // relative, of any measured size
constexpr double kTemperatureShare = 0.7;
constexpr double kLeastAirRange = 0.03;  // of ln air mass; less cannot be seen in the sizes

// A thermometer's readings; its steps and noise would look like focus.
struct Readings {
  std::vector<double> time_s;
  std::vector<double> celsius;
};

// On a straight line through the readings around a time, weighed down with distance.
double smoothed_at(double time_s, const Readings& readings) {
  constexpr double kWidth = 600;  // seconds
  double w0 = 0;
  double w1 = 0;
  double w2 = 0;
  double y0 = 0;
  double y1 = 0;
  const auto& when = readings.time_s;
  const auto first = std::lower_bound(when.begin(), when.end(), time_s - 3 * kWidth);
  for (auto k = static_cast<std::size_t>(first - when.begin());
       k < when.size() && when[k] <= time_s + 3 * kWidth; ++k) {
    const double t = (when[k] - time_s) / kWidth;
    const double w = std::exp(-t * t / 2);
    w0 += w;
    w1 += w * t;
    w2 += w * t * t;
    y0 += w * readings.celsius[k];
    y1 += w * t * readings.celsius[k];
  }
  const double spread = w0 * w2 - w1 * w1;
  if (w0 > 0) return spread > 0.05 * w0 * w0 ? (w2 * y0 - w1 * y1) / spread : y0 / w0;
  // None near: the one before, or the first.
  const auto after = std::lower_bound(when.begin(), when.end(), time_s);
  const auto k = static_cast<std::size_t>(after - when.begin());
  return readings.celsius[k > 0 ? k - 1 : 0];
}

// Empty where too few frames have one.
std::vector<double> temperatures(const TakenFrames& taken, const std::vector<std::size_t>& used) {
  Readings readings;
  for (const std::size_t i : used) {
    if (!taken.frames[i].temperature_c) continue;
    readings.time_s.push_back(taken.time_s[i]);
    readings.celsius.push_back(*taken.frames[i].temperature_c);
  }
  const auto known = static_cast<double>(readings.celsius.size());
  if (known < kTemperatureShare * static_cast<double>(used.size()) || readings.celsius.size() < 3) {
    return {};
  }
  std::vector<double> celsius;
  for (const std::size_t i : used) celsius.push_back(smoothed_at(taken.time_s[i], readings));
  return celsius;
}

bool spreads(const std::vector<double>& log_air_mass) {
  const auto [low, high] = std::minmax_element(log_air_mass.begin(), log_air_mass.end());
  return !(*high - *low < kLeastAirRange);
}

// Without altitudes, air mass by the light that is lost: a fifth of a magnitude each.
std::vector<double> air_from_light(const std::vector<double>& slow_mag,
                                   const std::vector<std::size_t>& used) {
  constexpr double kExtinction = 0.2;
  std::vector<double> log_air_mass;
  for (const std::size_t i : used) log_air_mass.push_back(std::log1p(slow_mag[i] / kExtinction));
  if (!spreads(log_air_mass)) log_air_mass.clear();
  return log_air_mass;
}

// Zero at the least. Empty where an altitude is missing.
std::vector<double> air_from_altitudes(std::span<const NightFrame> frames,
                                       const std::vector<std::size_t>& used) {
  constexpr double kTooLow = 5;  // degrees; an altitude below is not believed
  std::vector<double> log_air_mass;
  for (const std::size_t i : used) {
    if (!frames[i].altitude_deg || *frames[i].altitude_deg < kTooLow) return {};
    log_air_mass.push_back(std::log(air_mass(*frames[i].altitude_deg)));
  }
  if (!spreads(log_air_mass)) return {};
  const double least = *std::min_element(log_air_mass.begin(), log_air_mass.end());
  for (double& value : log_air_mass) value -= least;
  return log_air_mass;
}

// A frame far off both neighbours of its group (a passing aeroplane, a bump) counts less.
void soften_outliers(Sizes& s) {
  std::map<int, std::vector<std::size_t>> by_group;
  for (std::size_t i = 0; i < s.size(); ++i) by_group[s.group[i]].push_back(i);
  std::vector<double> off;
  std::vector<std::pair<std::size_t, double>> found;
  for (const auto& [group, members] : by_group) {
    for (std::size_t k = 1; k + 1 < members.size(); ++k) {
      const double before = s.log_size[members[k - 1]];
      const double after = s.log_size[members[k + 1]];
      const double here = s.log_size[members[k]];
      const double beyond =
          std::max({here - std::max(before, after), std::min(before, after) - here, 0.0});
      off.push_back(std::abs(here - 0.5 * (before + after)));
      if (beyond > 0) found.emplace_back(members[k], beyond);
    }
  }
  if (off.size() < 5) return;
  const double usual = numerics::kSigmaOfMadRounded * median(off);
  for (const auto& [i, beyond] : found) {
    if (beyond > std::max(0.12, 4 * usual)) s.variance[i] += beyond * beyond;
  }
}

std::vector<std::size_t> frames_that_count(const TakenFrames& taken, const LightLoss& light) {
  int clear = 0;
  for (std::size_t i = 0; i < taken.size(); ++i) {
    clear += taken.growth[i] && !light.fog[i] ? 1 : 0;
  }
  std::vector<std::size_t> used;
  for (std::size_t i = 0; i < taken.size(); ++i) {
    if (!taken.growth[i]) continue;
    if (light.fog[i] && clear >= NightRules::kFewestFrames) continue;
    used.push_back(i);
  }
  return used;
}

}  // namespace

UsedSizes gather_sizes(const SizesInput& input) {
  const auto& frames = input.taken.frames;
  UsedSizes used;
  used.frame = frames_that_count(input.taken, input.light);
  Sizes& s = used.sizes;
  for (const std::size_t i : used.frame) {
    const NightFrame& f = frames[i];
    const double motion = input.moved[i].value_or(0);
    s.time_s.push_back(input.taken.time_s[i]);
    s.log_size.push_back(std::log(*f.size_px) - motion);
    const double own =
        std::hypot(f.size_sigma_px.value_or(0.01 * *f.size_px) / *f.size_px, kSizeFloor);
    // What motion adds is known to half of it.
    s.variance.push_back(own * own + std::pow(0.5 * motion, 2));
    const auto next = static_cast<int>(used.group_of.size());
    s.group.push_back(used.group_of.try_emplace(f.group, next).first->second);
    s.stretch.push_back(input.stretches.of_frame[i]);
  }
  s.groups = static_cast<int>(used.group_of.size());
  // One refocus that they do not show leaves nothing to be inferred from them.
  s.positions_known = input.stretches.known && input.stretches.unseen.empty();
  s.temperature_c = temperatures(input.taken, used.frame);
  s.log_air_mass = input.light.slow_mag.empty() ? air_from_altitudes(frames, used.frame)
                                                : air_from_light(input.light.slow_mag, used.frame);
  soften_outliers(s);
  return used;
}

}  // namespace starwaist::night
