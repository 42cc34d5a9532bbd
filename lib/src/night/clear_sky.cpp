#include "night/clear_sky.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <utility>

#include "numerics/robust.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

constexpr double kQuantile = 0.25;  // the clear sky is among the brighter frames
// Atmospheric extinction by colour and site, magnitudes per air mass (common practice, no source).
constexpr double kMostExtinction = 0.4;
constexpr double kLowestAltitude = 22;  // degrees, at which anybody takes frames
constexpr double kRadian = 0.017453292519943295;

// The frames whose dimming is known.
struct Dimming {
  std::vector<std::size_t> frame;
  std::vector<double> raw_mag;
  std::vector<double> hours;
  std::vector<int> group;
  std::vector<double> air;  // air mass; empty where not all altitudes are known
};

Dimming dimming_of(std::span<const NightFrame> frames, std::span<const double> time_s) {
  constexpr double kTooLow = 5;  // degrees; an altitude below is not believed
  Dimming dimming;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!frames[i].dimming_mag) continue;
    dimming.frame.push_back(i);
    dimming.raw_mag.push_back(*frames[i].dimming_mag);
    dimming.hours.push_back((time_s[i] - time_s.front()) / 3600);
    dimming.group.push_back(frames[i].group);
    if (frames[i].altitude_deg && *frames[i].altitude_deg > kTooLow) {
      dimming.air.push_back(air_mass(*frames[i].altitude_deg));
    }
  }
  if (dimming.air.size() != dimming.frame.size()) dimming.air.clear();
  return dimming;
}

// Loss of a wrong quantile (Koenker & Bassett 1978, from memory).
double pinball(double residual) {
  return residual > 0 ? kQuantile * residual : (kQuantile - 1) * residual;
}

// What is left over the group's clear sky with a trend, and how badly that fits.
struct Detrended {
  std::vector<double> trend;
  std::vector<double> lost_mag;
  double misfit = std::numeric_limits<double>::infinity();
};

Detrended detrended(const Dimming& dimming, const std::vector<double>& trend, double fee) {
  std::map<int, std::vector<double>> by_group;
  for (std::size_t k = 0; k < trend.size(); ++k) {
    by_group[dimming.group[k]].push_back(dimming.raw_mag[k] - trend[k]);
  }
  std::map<int, double> clear;
  for (const auto& [group, values] : by_group) clear[group] = sample_quantile(values, kQuantile);
  Detrended left{trend, {}, 0};
  left.lost_mag.resize(trend.size());
  for (std::size_t k = 0; k < trend.size(); ++k) {
    left.lost_mag[k] = dimming.raw_mag[k] - trend[k] - clear[dimming.group[k]];
    left.misfit += pinball(left.lost_mag[k]);
  }
  left.misfit += fee;
  return left;
}

std::vector<double> scaled(double factor, const std::vector<double>& values) {
  std::vector<double> product(values.size());
  for (std::size_t i = 0; i < values.size(); ++i) product[i] = factor * values[i];
  return product;
}

void keep_better(Detrended& best, Detrended other) {
  if (other.misfit < best.misfit) best = std::move(other);
}

Detrended with_known_altitudes(const Dimming& dimming) {
  constexpr int kSteps = 18;
  Detrended best;
  for (int step = 0; step <= kSteps; ++step) {
    keep_better(best, detrended(dimming, scaled(kMostExtinction * step / kSteps, dimming.air), 0));
  }
  return best;
}

// A star's path over the sky.
struct Path {
  double latitude_deg = 0;
  double highest_deg = 0;
  double transit_hour = 0;
};

// Air mass along the path; empty where it goes lower than anybody takes frames.
std::vector<double> air_along(const Path& path, const std::vector<double>& hours) {
  const double declination = path.latitude_deg + path.highest_deg - 90;
  const double level = std::sin(path.latitude_deg * kRadian) * std::sin(declination * kRadian);
  const double swing = std::cos(path.latitude_deg * kRadian) * std::cos(declination * kRadian);
  std::vector<double> air;
  for (const double h : hours) {
    const double sine = level + swing * std::cos(15 * (h - path.transit_hour) * kRadian);
    const double altitude = std::asin(std::clamp(sine, -1.0, 1.0)) / kRadian;
    if (altitude < kLowestAltitude) return {};
    air.push_back(air_mass(altitude));
  }
  return air;
}

// Every path that a star may take: its greatest altitude, at which hour, seen from 30 or 50 degrees
// of latitude.
Detrended with_likeliest_path(const Dimming& dimming) {
  constexpr int kSteps = 6;
  constexpr double kFee = 1e-4;  // a step of extinction, so that none is taken for nothing
  Detrended best = detrended(dimming, std::vector<double>(dimming.frame.size()), 0);
  const double last = dimming.hours.back();
  for (const double latitude : {30.0, 50.0}) {
    for (const double highest : {40.0, 60.0, 85.0}) {
      for (double transit = -5; transit <= last + 5; transit += 1) {
        const std::vector<double> air = air_along({latitude, highest, transit}, dimming.hours);
        if (air.empty()) continue;
        for (int step = 1; step <= kSteps; ++step) {
          keep_better(
              best, detrended(dimming, scaled(kMostExtinction * step / kSteps, air), kFee * step));
        }
      }
    }
  }
  return best;
}

double noise_of(const std::vector<int>& group, const std::vector<double>& lost_mag) {
  constexpr double kUnknown = 0.02;  // where no group has two frames
  constexpr double kLeast = 0.01;
  std::map<int, double> before;
  std::vector<double> steps;
  for (std::size_t k = 0; k < lost_mag.size(); ++k) {
    const auto [place, first] = before.try_emplace(group[k], lost_mag[k]);
    if (!first) {
      steps.push_back(std::abs(lost_mag[k] - place->second));
      place->second = lost_mag[k];
    }
  }
  if (steps.empty()) return kUnknown;
  return std::max(kLeast, numerics::kSigmaOfMadRounded * median(steps) / std::sqrt(2.0));
}

}  // namespace

ClearSky against_clear_sky(std::span<const NightFrame> frames, std::span<const double> time_s) {
  Dimming dimming = dimming_of(frames, time_s);
  if (dimming.frame.empty()) return {};
  Detrended best =
      dimming.air.empty() ? with_likeliest_path(dimming) : with_known_altitudes(dimming);
  ClearSky sky;
  sky.noise_mag = noise_of(dimming.group, best.lost_mag);
  sky.altitude_known = !dimming.air.empty();
  sky.frame = std::move(dimming.frame);
  sky.group = std::move(dimming.group);
  sky.lost_mag = std::move(best.lost_mag);
  sky.trend = std::move(best.trend);
  return sky;
}

}  // namespace starwaist::night
