#include "night/taken_frames.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>

#include "core/clock.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

std::vector<std::optional<double>> growth_of(std::span<const NightFrame> frames) {
  std::map<int, std::vector<double>> by_group;
  for (const NightFrame& f : frames) {
    if (has_size(f)) by_group[f.group].push_back(std::log(*f.size_px));
  }
  std::vector<std::optional<double>> growth(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!has_size(frames[i])) continue;
    growth[i] = std::log(*frames[i].size_px) - median(by_group[frames[i].group]);
  }
  return growth;
}

}  // namespace

bool has_size(const NightFrame& frame) { return frame.size_px && *frame.size_px > 0; }

TakenFrames order_as_taken(std::span<const NightFrame> given) {
  TakenFrames taken;
  taken.given.resize(given.size());
  std::iota(taken.given.begin(), taken.given.end(), std::size_t{0});
  taken.times_known = !given.empty() && std::all_of(given.begin(), given.end(), [](const auto& f) {
    return f.time_s.has_value();
  });
  if (taken.times_known) {
    std::stable_sort(taken.given.begin(), taken.given.end(), [&](std::size_t a, std::size_t b) {
      return *given[a].time_s < *given[b].time_s;
    });
  }
  for (const std::size_t i : taken.given) taken.frames.push_back(given[i]);
  constexpr double kUsualExposure = 120;  // seconds
  constexpr double kPause = 10;           // between two frames, seconds
  double clock = 0;
  for (const NightFrame& f : taken.frames) {
    taken.time_s.push_back(taken.times_known ? *f.time_s : clock);
    clock += f.exposure_s.value_or(kUsualExposure) + kPause;
  }
  taken.growth = growth_of(taken.frames);
  return taken;
}

std::string time_words(const TakenFrames& taken, std::size_t frame) {
  if (!taken.times_known) return taken.frames[frame].file;
  return core::format_utc(taken.time_s[frame]).substr(11, 5);
}

}  // namespace starwaist::night
