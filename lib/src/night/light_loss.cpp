#include "night/light_loss.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "night/clear_sky.h"
#include "night/lower_sigma.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

std::vector<double> smoothed(const std::vector<double>& values) {
  std::vector<double> smooth;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const std::size_t half = std::min({i, values.size() - 1 - i, std::size_t{2}});
    smooth.push_back(median(std::span(values).subspan(i - half, 2 * half + 1)));
  }
  return smooth;
}

// The same within each group: each group's clear sky is its own.
std::vector<double> smoothed_by_group(const ClearSky& sky) {
  std::vector<double> smooth(sky.size());
  std::map<int, std::vector<std::size_t>> members;
  for (std::size_t k = 0; k < sky.size(); ++k) members[sky.group[k]].push_back(k);
  for (const auto& [name, places] : members) {
    std::vector<double> own;
    for (const std::size_t k : places) own.push_back(sky.lost_mag[k]);
    own = smoothed(own);
    for (std::size_t j = 0; j < places.size(); ++j) smooth[places[j]] = own[j];
  }
  return smooth;
}

// Where a loss begins that grows to the end of the night without coming back; absent without.
std::optional<std::size_t> lasting_loss(const ClearSky& sky) {
  const std::vector<double> smooth = smoothed(sky.lost_mag);
  const double clear = std::max(0.06, 2.5 * sky.noise_mag);
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

// Frames that lost light, from place `first` to `last` of the sky, both included.
struct Loss {
  std::size_t first = 0;
  std::size_t last = 0;
  [[nodiscard]] bool is_short() const { return last - first < 2; }
};

// The steepest change of light within a quarter of an hour, in the loss and around it.
double steepest_edge(const Loss& loss, const ClearSky& sky, const std::vector<double>& smooth,
                     std::span<const double> time_s) {
  constexpr double kQuick = 900;      // seconds
  constexpr std::size_t kAround = 8;  // frames
  const std::size_t from = loss.first > kAround ? loss.first - kAround : 0;
  const std::size_t to = std::min(loss.last + kAround, sky.size() - 1);
  double steepest = 0;
  for (std::size_t a = from; a <= to; ++a) {
    for (std::size_t b = a + 1; b <= to; ++b) {
      const bool neighbours = b == a + 1;
      if (!neighbours && time_s[sky.frame[b]] - time_s[sky.frame[a]] > kQuick) break;
      if (sky.group[a] != sky.group[b]) continue;
      // A cloud of one frame is smoothed away: its own height counts.
      const double step =
          std::max(std::abs(smooth[b] - smooth[a]),
                   loss.is_short() ? std::abs(sky.lost_mag[b] - sky.lost_mag[a]) : 0.0);
      steepest = std::max(steepest, step);
    }
  }
  return steepest;
}

// Clouds have edges; what the altitude takes, where the path was guessed wrong, comes slowly.
bool is_cloud(const Loss& loss, const ClearSky& sky, double steepest) {
  constexpr double kSurely = 0.5;      // magnitudes that no wrong path explains
  constexpr double kLoneFactor = 1.7;  // one or two frames are cloud only where they lost more
  double most = 0;
  for (std::size_t k = loss.first; k <= loss.last; ++k) most = std::max(most, sky.lost_mag[k]);
  if (loss.is_short() && most < kLoneFactor * NightRules::kCloudMag) return false;
  return steepest >= std::max(0.12, 5 * sky.noise_mag) || most >= kSurely;
}

// By frame.
std::vector<bool> cloudy_frames(std::span<const NightFrame> frames, std::span<const double> time_s,
                                const ClearSky& sky) {
  std::vector<bool> dim(sky.size());
  const double floor = std::max(NightRules::kCloudMag, 5 * sky.noise_mag);
  for (std::size_t k = 0; k < sky.size(); ++k) {
    const double own = frames[sky.frame[k]].dimming_sigma_mag.value_or(0);
    dim[k] = sky.lost_mag[k] > std::max(floor, 4 * own);
  }
  const std::vector<double> smooth = smoothed_by_group(sky);
  std::vector<bool> cloud(frames.size());
  for (std::size_t k = 0; k < sky.size(); ++k) {
    if (!dim[k]) continue;
    Loss loss{k, k};
    while (loss.last + 1 < sky.size() && dim[loss.last + 1]) ++loss.last;
    const bool real = is_cloud(loss, sky, steepest_edge(loss, sky, smooth, time_s));
    for (; k <= loss.last; ++k) cloud[sky.frame[k]] = real;
  }
  return cloud;
}

// What the altitude takes, by frame. Frames without light get that of the last one before them.
std::vector<double> slow_loss(const ClearSky& sky, std::size_t frames) {
  const double least = *std::min_element(sky.trend.begin(), sky.trend.end());
  std::vector<double> slow(frames);
  for (std::size_t k = 0, i = 0; i < frames; ++i) {
    while (k + 1 < sky.size() && sky.frame[k + 1] <= i) ++k;
    slow[i] = sky.trend[k] - least;
  }
  return slow;
}

// Whether the stars grew while they faded from `first` on: with fog they do, with a cloud they only
// fade. Absent where too few sizes are known.
std::optional<bool> grew_while_fading(const ClearSky& sky, std::size_t first,
                                      std::span<const std::optional<double>> growth) {
  std::vector<double> early;
  std::vector<double> late;
  for (std::size_t k = 0; k < sky.size(); ++k) {
    if (!growth[sky.frame[k]]) continue;
    if (k < first + (sky.size() - first) / 4) {
      if (k + 8 >= first) early.push_back(*growth[sky.frame[k]]);
    } else if (k >= first + (sky.size() - first) / 2) {
      late.push_back(*growth[sky.frame[k]]);
    }
  }
  if (early.empty() || late.empty()) return std::nullopt;
  const double spread = std::max(lower_sigma(early), 0.02);
  return median(late) - median(early) > std::max(0.06, 1.5 * spread);
}

}  // namespace

LightLoss judge_light_loss(const TakenFrames& taken) {
  LightLoss light;
  light.lost_mag.resize(taken.size());
  light.cloud.resize(taken.size());
  light.fog.resize(taken.size());
  const ClearSky sky = against_clear_sky(taken.frames, taken.time_s);
  constexpr std::size_t kFewest = 3;
  if (sky.size() < kFewest) return light;
  for (std::size_t k = 0; k < sky.size(); ++k) {
    light.lost_mag[sky.frame[k]] = std::max(sky.lost_mag[k], 0.0);
  }
  light.cloud = cloudy_frames(taken.frames, taken.time_s, sky);
  if (!sky.altitude_known) light.slow_mag = slow_loss(sky, taken.size());
  const auto first = lasting_loss(sky);
  if (!first) return light;
  const auto grew = grew_while_fading(sky, *first, taken.growth);
  if (!grew) return light;
  if (*grew) {
    for (std::size_t k = *first; k < sky.size(); ++k) {
      light.fog[sky.frame[k]] = true;
      light.cloud[sky.frame[k]] = false;
    }
  } else {
    light.fog_or_cloud = true;
    light.seconds_tied_from = taken.time_s[sky.frame[*first]];
  }
  return light;
}

}  // namespace starwaist::night
