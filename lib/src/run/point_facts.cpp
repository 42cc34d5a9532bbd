#include "run/point_facts.h"

#include <algorithm>
#include <cmath>

#include "core/clock.h"
#include "starwaist/statistics.h"

namespace starwaist::run_detail {
namespace {

constexpr double kLeastSnr = 10;  // of a star whose light counts
constexpr std::size_t kFewestStars = 3;
constexpr std::size_t kMostStars = 300;  // the brightest show it

std::optional<double> log_flux(const FrameMeasurement& frame, std::optional<std::size_t> index) {
  if (!index) return std::nullopt;
  const Star& star = frame.stars[*index];
  if (!is_whole(star) || star.snr < kLeastSnr || !(star.flux_adu > 0)) return std::nullopt;
  return std::log(star.flux_adu);
}

// By frame: ln of the light, and its standard error.
struct FrameLight {
  std::optional<double> log_light;
  std::optional<double> sigma;
};

std::vector<FrameLight> frame_lights(const FrameGroup& frames, std::span<const StarTrack> tracks) {
  std::vector<FrameLight> lights(frames.size());
  std::vector<std::vector<std::optional<double>>> flux;  // by star and frame
  std::vector<const StarTrack*> used;                    // of each of them
  for (const StarTrack& track : tracks) {
    std::vector<std::optional<double>> row(frames.size());
    std::size_t seen = 0;
    for (std::size_t i = 0; i < frames.size(); ++i) {
      row[i] = log_flux(frames[i], track[i]);
      seen += row[i] ? 1 : 0;
    }
    if (2 * seen > frames.size() && seen >= 2) {
      flux.push_back(std::move(row));
      used.push_back(&track);
    }
    if (flux.size() == kMostStars) break;
  }
  std::vector<double> of_star(flux.size(), 0.0);
  std::vector<double> of_frame(frames.size(), 0.0);
  std::vector<double> values;
  constexpr int kRounds = 8;
  for (int round = 0; round < kRounds; ++round) {
    for (std::size_t j = 0; j < flux.size(); ++j) {
      values.clear();
      for (std::size_t i = 0; i < frames.size(); ++i) {
        if (flux[j][i]) values.push_back(*flux[j][i] - of_frame[i]);
      }
      of_star[j] = median(values);
    }
    for (std::size_t i = 0; i < frames.size(); ++i) {
      values.clear();
      double noise = 0;  // mean square of the stars' own errors: a few may agree by chance
      for (std::size_t j = 0; j < flux.size(); ++j) {
        if (!flux[j][i]) continue;
        values.push_back(*flux[j][i] - of_star[j]);
        noise += std::pow(frames[i].stars[*(*used[j])[i]].snr, -2);
      }
      if (values.size() < kFewestStars) continue;
      of_frame[i] = median(values);
      lights[i].log_light = of_frame[i];
      // Of a median: 1.2533 times that of a mean, for a normal distribution.
      const double count = static_cast<double>(values.size());
      lights[i].sigma =
          1.2533 * std::max(robust_sigma(values), std::sqrt(noise / count)) / std::sqrt(count);
    }
  }
  return lights;
}

// Times since the earliest of them, in place.
void since_earliest(std::vector<PointFacts>& facts) {
  std::optional<double> first;
  for (const PointFacts& f : facts) {
    if (f.time_s) first = std::min(first.value_or(*f.time_s), *f.time_s);
  }
  for (PointFacts& f : facts) {
    if (f.time_s) *f.time_s -= *first;
  }
}

// Values of `light` over their median, in place; not positive ones become absent.
void relative_light(std::vector<PointFacts>& facts) {
  std::vector<double> lights;
  for (PointFacts& f : facts) {
    if (f.light && !(*f.light > 0)) f.light.reset();
    if (f.light) lights.push_back(*f.light);
  }
  if (lights.empty()) return;
  const double middle = median(lights);
  for (PointFacts& f : facts) {
    if (f.light) *f.light /= middle;
  }
}

}  // namespace

std::vector<PointFacts> facts_of_rows(std::span<const RowFacts> rows) {
  std::vector<PointFacts> facts(rows.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    facts[i].time_s = rows[i].time_s;
    facts[i].temperature_c = rows[i].temperature_c;
    facts[i].exposure_s = rows[i].exposure_s;
    facts[i].filter = rows[i].filter;
    facts[i].stars = rows[i].stars;
    facts[i].light = rows[i].flux;
    facts[i].background_adu = rows[i].background_adu;
    facts[i].eccentricity = rows[i].eccentricity;
  }
  since_earliest(facts);
  relative_light(facts);
  return facts;
}

std::vector<PointFacts> facts_of_frames(const FrameGroup& frames,
                                        std::span<const StarTrack> tracks) {
  std::vector<PointFacts> facts(frames.size());
  const std::vector<FrameLight> lights = frame_lights(frames, tracks);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const FrameMeasurement& frame = frames[i];
    PointFacts& f = facts[i];
    if (frame.time_utc) f.time_s = core::parse_utc(*frame.time_utc);
    f.temperature_c = frame.temperature_c;
    f.exposure_s = frame.exposure_s;
    f.filter = frame.filter;
    f.stars = static_cast<int>(std::count_if(frame.stars.begin(), frame.stars.end(),
                                             [](const Star& s) { return !s.followed; }));
    if (lights[i].log_light) {
      f.light = std::exp(*lights[i].log_light);
      f.light_sigma = *f.light * *lights[i].sigma;
    }
    f.background_adu = frame.background_adu;
    f.noise_adu = frame.noise_adu;
    f.eccentricity = frame.eccentricity;
    f.elongation_angle_deg = frame.elongation_angle_deg;
    f.elongation_coherence = frame.elongation_coherence;
  }
  since_earliest(facts);
  // The error is relative to the run's median too.
  std::vector<PointFacts> unscaled = facts;
  relative_light(facts);
  for (std::size_t i = 0; i < facts.size(); ++i) {
    if (facts[i].light) *facts[i].light_sigma *= *facts[i].light / *unscaled[i].light;
  }
  return facts;
}

}  // namespace starwaist::run_detail
