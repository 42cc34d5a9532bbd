#include "night/light.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kQuantile = 0.25;  // the clear sky is among the brighter frames
// Atmospheric extinction by colour and site, magnitudes per air mass (common practice, no source).
constexpr double kMostExtinction = 0.4;
constexpr double kLowestAltitude = 22;  // degrees, at which anybody takes frames

// Loss of a wrong quantile (Koenker & Bassett 1978, from memory).
double pinball(double residual) {
  return residual > 0 ? kQuantile * residual : (kQuantile - 1) * residual;
}

class Dimming {
 public:
  Dimming(std::span<const NightFrame> frames, std::span<const double> time_s) {
    for (std::size_t i = 0; i < frames.size(); ++i) {
      if (!frames[i].dimming_mag) continue;
      index_.push_back(i);
      raw_.push_back(*frames[i].dimming_mag);
      hours_.push_back((time_s[i] - time_s.front()) / 3600);
      group_.push_back(frames[i].group);
      if (frames[i].altitude_deg && *frames[i].altitude_deg > 5) {
        air_.push_back(air_mass(*frames[i].altitude_deg));
      }
    }
    if (air_.size() != index_.size()) air_.clear();
    if (!index_.empty()) detrend();
  }

  [[nodiscard]] const std::vector<std::size_t>& index() const { return index_; }
  [[nodiscard]] const std::vector<double>& lost() const { return lost_; }
  [[nodiscard]] const std::vector<int>& group() const { return group_; }
  [[nodiscard]] bool altitude_known() const { return !air_.empty(); }
  [[nodiscard]] const std::vector<double>& trend() const { return trend_; }

  // From one frame to the next of its group.
  [[nodiscard]] double noise() const {
    std::map<int, double> before;
    std::vector<double> steps;
    for (std::size_t k = 0; k < lost_.size(); ++k) {
      const auto [place, first] = before.try_emplace(group_[k], lost_[k]);
      if (!first) {
        steps.push_back(std::abs(lost_[k] - place->second));
        place->second = lost_[k];
      }
    }
    if (steps.empty()) return 0.02;
    return std::max(0.01, 1.4826 * median(steps) / std::sqrt(2.0));
  }

 private:
  // What is left over the group's clear sky with this trend, and the loss.
  double leave(const std::vector<double>& trend, std::vector<double>& left) const {
    std::map<int, std::vector<double>> by_group;
    for (std::size_t k = 0; k < raw_.size(); ++k) {
      by_group[group_[k]].push_back(raw_[k] - trend[k]);
    }
    std::map<int, double> clear;
    for (const auto& [group, values] : by_group) clear[group] = sample_quantile(values, kQuantile);
    double loss = 0;
    left.resize(raw_.size());
    for (std::size_t k = 0; k < raw_.size(); ++k) {
      left[k] = raw_[k] - trend[k] - clear[group_[k]];
      loss += pinball(left[k]);
    }
    return loss;
  }

  void detrend() {
    double least = std::numeric_limits<double>::infinity();
    const auto consider = [&](const std::vector<double>& trend, double fee) {
      std::vector<double> left;
      const double loss = leave(trend, left) + fee;
      if (loss < least) {
        least = loss;
        lost_ = std::move(left);
        trend_ = trend;
      }
    };
    std::vector<double> trend(raw_.size());
    if (!air_.empty()) {
      for (int step = 0; step <= 18; ++step) {
        const double k = kMostExtinction * step / 18;
        for (std::size_t i = 0; i < trend.size(); ++i) trend[i] = k * air_[i];
        consider(trend, 0);
      }
      return;
    }
    // Every path that a star may take: its greatest altitude, at which hour, seen from 30 or 50
    // degrees of latitude.
    consider(trend, 0);
    constexpr double kRadian = 0.017453292519943295;
    const double last = hours_.back();
    for (const double latitude : {30.0, 50.0}) {
      for (const double highest : {40.0, 60.0, 85.0}) {
        const double declination = latitude + highest - 90;
        const double level = std::sin(latitude * kRadian) * std::sin(declination * kRadian);
        const double swing = std::cos(latitude * kRadian) * std::cos(declination * kRadian);
        for (double transit = -5; transit <= last + 5; transit += 1) {
          std::vector<double> air;
          double lowest = 90;
          for (const double h : hours_) {
            const double sine = level + swing * std::cos(15 * (h - transit) * kRadian);
            const double altitude = std::asin(std::clamp(sine, -1.0, 1.0)) / kRadian;
            lowest = std::min(lowest, altitude);
            air.push_back(air_mass(std::max(altitude, kLowestAltitude)));
          }
          if (lowest < kLowestAltitude) continue;
          for (int step = 1; step <= 6; ++step) {
            const double k = kMostExtinction * step / 6;
            for (std::size_t i = 0; i < trend.size(); ++i) trend[i] = k * air[i];
            consider(trend, 1e-4 * step);
          }
        }
      }
    }
  }

  std::vector<std::size_t> index_;
  std::vector<double> raw_;
  std::vector<double> hours_;
  std::vector<int> group_;
  std::vector<double> air_;
  std::vector<double> lost_;
  std::vector<double> trend_;
};

std::vector<double> smoothed(const std::vector<double>& values) {
  std::vector<double> smooth;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const std::size_t half = std::min({i, values.size() - 1 - i, std::size_t{2}});
    smooth.push_back(median(std::span(values).subspan(i - half, 2 * half + 1)));
  }
  return smooth;
}

// Where a loss begins that grows to the end of the night without coming back; absent without.
std::optional<std::size_t> lasting_loss(const Dimming& dimming, double noise) {
  const std::vector<double> smooth = smoothed(dimming.lost());
  const double clear = std::max(0.06, 2.5 * noise);
  std::size_t first = smooth.size();
  while (first > 0 && smooth[first - 1] > clear) --first;
  if (smooth.size() - first < 4) return std::nullopt;
  const double rise =
      median(std::span(smooth).last(std::min<std::size_t>(3, smooth.size()))) - clear;
  if (rise + clear < NightRules::kFogMag) return std::nullopt;
  double fallen = 0;
  for (std::size_t k = first + 1; k < smooth.size(); ++k) {
    fallen += std::max(0.0, smooth[k - 1] - smooth[k]);
  }
  if (fallen > 0.2 * rise) return std::nullopt;
  // Gradual: no single frame takes most of it.
  for (std::size_t k = first + 1; k < smooth.size(); ++k) {
    if (smooth[k] - smooth[k - 1] > 0.6 * rise && smooth.size() - first > 5) return std::nullopt;
  }
  return first;
}

// Clouds have edges; what the altitude takes, where the path was guessed wrong, comes slowly. Edges
// count within a group: each group's clear sky is its own.
void drop_smooth(Light& light, const Dimming& dimming, std::span<const double> time_s,
                 double noise) {
  constexpr double kQuick = 900;   // seconds
  constexpr double kSurely = 0.5;  // magnitudes that no wrong path explains
  const auto& index = dimming.index();
  const auto& lost = dimming.lost();
  const auto& group = dimming.group();
  const double edge = std::max(0.12, 5 * noise);
  std::vector<double> smooth(lost.size());
  std::map<int, std::vector<std::size_t>> members;
  for (std::size_t k = 0; k < lost.size(); ++k) members[group[k]].push_back(k);
  for (const auto& [name, places] : members) {
    std::vector<double> own;
    for (const std::size_t k : places) own.push_back(lost[k]);
    own = smoothed(own);
    for (std::size_t j = 0; j < places.size(); ++j) smooth[places[j]] = own[j];
  }
  for (std::size_t k = 0; k < index.size();) {
    if (!light.cloud[index[k]]) {
      ++k;
      continue;
    }
    std::size_t end = k;
    while (end + 1 < index.size() && light.cloud[index[end + 1]]) ++end;
    double most = 0;
    double steepest = 0;
    const std::size_t from = k > 8 ? k - 8 : 0;
    const std::size_t to = std::min(end + 8, index.size() - 1);
    for (std::size_t a = from; a <= to; ++a) {
      if (a >= k && a <= end) most = std::max(most, lost[a]);
      for (std::size_t b = a + 1; b <= to; ++b) {
        const bool neighbours = b == a + 1;
        if (!neighbours && time_s[index[b]] - time_s[index[a]] > kQuick) break;
        if (group[a] != group[b]) continue;
        // A cloud of one frame is smoothed away: its own height counts.
        const double step = std::max(std::abs(smooth[b] - smooth[a]),
                                     end - k < 2 ? std::abs(lost[b] - lost[a]) : 0.0);
        steepest = std::max(steepest, step);
      }
    }
    // One or two frames are cloud only where they lost more.
    const bool lone = end - k < 2 && most < 1.7 * NightRules::kCloudMag;
    if (lone || (steepest < edge && most < kSurely)) {
      for (std::size_t a = k; a <= end; ++a) light.cloud[index[a]] = false;
    }
    k = end + 1;
  }
}

}  // namespace

double lower_sigma(std::vector<double> values) {
  if (values.size() < 2) return 0;
  const double middle = median(values);
  return std::max(middle - sample_quantile(values, 0.1587), 0.0);
}

Light judge_light(std::span<const NightFrame> frames, std::span<const double> time_s,
                  std::span<const std::optional<double>> growth) {
  Light light;
  light.lost_mag.resize(frames.size());
  light.cloud.resize(frames.size());
  light.fog.resize(frames.size());
  const Dimming dimming(frames, time_s);
  if (dimming.index().size() < 3) return light;
  const auto& index = dimming.index();
  const auto& lost = dimming.lost();
  const double noise = dimming.noise();
  for (std::size_t k = 0; k < index.size(); ++k) light.lost_mag[index[k]] = std::max(lost[k], 0.0);
  const double floor = std::max(NightRules::kCloudMag, 5 * noise);
  for (std::size_t k = 0; k < index.size(); ++k) {
    const double own = frames[index[k]].dimming_sigma_mag.value_or(0);
    light.cloud[index[k]] = lost[k] > std::max(floor, 4 * own);
  }
  drop_smooth(light, dimming, time_s, noise);
  if (!dimming.altitude_known()) {
    const auto& trend = dimming.trend();
    const double least = *std::min_element(trend.begin(), trend.end());
    // Frames without light get that of the last one before them.
    light.slow_mag.assign(frames.size(), trend.front() - least);
    for (std::size_t k = 0, i = 0; i < frames.size(); ++i) {
      while (k + 1 < index.size() && index[k + 1] <= i) ++k;
      light.slow_mag[i] = trend[k] - least;
    }
  }
  const auto first = lasting_loss(dimming, noise);
  if (!first) return light;
  // With fog the stars grow as they fade; with a cloud they only fade.
  double before = 0;
  std::vector<double> early;
  std::vector<double> late;
  for (std::size_t k = 0; k < index.size(); ++k) {
    if (!growth[index[k]]) continue;
    if (k < *first + (index.size() - *first) / 4) {
      if (k + 8 >= *first) early.push_back(*growth[index[k]]);
    } else if (k >= *first + (index.size() - *first) / 2) {
      late.push_back(*growth[index[k]]);
    }
  }
  if (early.empty() || late.empty()) return light;
  before = median(early);
  const double spread = std::max(lower_sigma(early), 0.02);
  const bool grew = median(late) - before > std::max(0.06, 1.5 * spread);
  if (grew) {
    for (std::size_t k = *first; k < index.size(); ++k) {
      light.fog[index[k]] = true;
      light.cloud[index[k]] = false;
    }
  } else {
    light.fog_or_cloud = true;
    light.seconds_tied_from = time_s[index[*first]];
  }
  return light;
}

std::vector<std::optional<double>> judge_motion(std::span<const NightFrame> frames,
                                                std::span<const std::optional<double>> growth,
                                                std::span<const double> focus) {
  constexpr double kLeastCoherence = 0.5;
  constexpr double kLeastStretch = 0.12;  // of ln(major / minor)
  std::vector<std::optional<double>> moved(frames.size());
  std::vector<double> stretch(frames.size(), 0.0);
  std::vector<double> known;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].eccentricity) continue;
    const double e = std::min(*frames[i].eccentricity, 0.995);
    stretch[i] = -0.5 * std::log1p(-e * e);
    known.push_back(stretch[i]);
  }
  if (known.size() < 3) return moved;
  const double everywhere = sample_quantile(known, 0.4);
  const double limit = std::max(kLeastStretch, 5 * lower_sigma(known));
  // Out of focus stars may be drawn out by astigmatism: held against those of like focus.
  std::vector<double> usual(frames.size(), everywhere);
  constexpr double kLikeFocus = 0.08;
  constexpr std::size_t kFewestAlike = 5;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (focus[i] < kLikeFocus) continue;
    std::vector<double> alike;
    for (std::size_t j = 0; j < frames.size(); ++j) {
      if (frames[j].eccentricity && std::abs(focus[j] - focus[i]) < kLikeFocus) {
        alike.push_back(stretch[j]);
      }
    }
    if (alike.size() >= kFewestAlike) usual[i] = std::max(everywhere, median(alike));
  }
  std::vector<bool> drawn(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    drawn[i] = frames[i].eccentricity && stretch[i] - usual[i] > limit &&
               frames[i].elongation_coherence.value_or(0) >= kLeastCoherence;
  }
  // ln of the second moment's growth where the minor axis stays: (1 + (a/b)^2) / 2.
  const auto added = [](double s) { return 0.5 * std::log((1 + std::exp(2 * s)) / 2); };
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!drawn[i]) continue;
    const double motion = added(stretch[i]) - added(usual[i]);
    if (growth[i]) {
      // What the frames around it, not drawn out, have.
      std::vector<double> around;
      for (std::size_t away = 1; away < frames.size() && around.size() < 6; ++away) {
        if (i >= away && !drawn[i - away] && growth[i - away]) around.push_back(*growth[i - away]);
        if (i + away < frames.size() && !drawn[i + away] && growth[i + away]) {
          around.push_back(*growth[i + away]);
        }
      }
      // The minor axis grew as well: defocus with astigmatism, or seeing.
      if (!around.empty() && *growth[i] - median(around) > 1.7 * motion + 0.1) continue;
    }
    moved[i] = motion;
  }
  return moved;
}

}  // namespace starwaist::night
