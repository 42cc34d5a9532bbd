#include "night/light.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kQuantile = 0.25;  // the clear sky is among the brighter frames
// Atmospheric extinction by colour and site, magnitudes per air mass (common practice, no source),
// and what it can do in an hour where altitudes are not known.
constexpr double kMostExtinction = 0.45;
constexpr double kMostTrend = 0.15;      // mag per hour
constexpr double kMostCurvature = 0.03;  // mag per hour squared

// Loss of a wrong quantile (Koenker & Bassett 1978, from memory).
double pinball(double residual) {
  return residual > 0 ? kQuantile * residual : (kQuantile - 1) * residual;
}

struct Trend {
  std::vector<double> mag;  // of each frame, up to the group's constant
};

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
    detrend();
  }

  [[nodiscard]] const std::vector<std::size_t>& index() const { return index_; }
  [[nodiscard]] const std::vector<double>& lost() const { return lost_; }
  [[nodiscard]] bool altitude_known() const { return !air_.empty(); }
  [[nodiscard]] const std::vector<double>& hours() const { return hours_; }

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
    for (int b = -6; b <= 6; ++b) {
      for (int c = -3; c <= 3; ++c) {
        for (std::size_t i = 0; i < trend.size(); ++i) {
          trend[i] =
              kMostTrend * b / 6 * hours_[i] + kMostCurvature * c / 3 * hours_[i] * hours_[i];
        }
        consider(trend, 1e-6 * (std::abs(b) + std::abs(c)));
      }
    }
  }

  std::vector<std::size_t> index_;
  std::vector<double> raw_;
  std::vector<double> hours_;
  std::vector<int> group_;
  std::vector<double> air_;
  std::vector<double> lost_;
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
                                                std::span<const std::optional<double>> growth) {
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
  const double usual = sample_quantile(known, 0.4);
  const double limit = std::max(kLeastStretch, 5 * lower_sigma(known));
  std::vector<bool> drawn(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    drawn[i] = frames[i].eccentricity && stretch[i] - usual > limit &&
               frames[i].elongation_coherence.value_or(0) >= kLeastCoherence;
  }
  // ln of the second moment's growth where the minor axis stays: (1 + (a/b)^2) / 2.
  const auto added = [](double s) { return 0.5 * std::log((1 + std::exp(2 * s)) / 2); };
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!drawn[i]) continue;
    const double motion = added(stretch[i]) - added(usual);
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
