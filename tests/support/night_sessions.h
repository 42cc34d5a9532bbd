// Simulated sessions of light frames as facts: time, size, shape, light, sky. Made from closed
// forms of their own, so that what judges a night is held against something outside it.
//
// - Seeing: ln of the width is the sum of two Ornstein-Uhlenbeck processes, of minutes and of
//   three quarters of an hour (site monitors show both; common practice, no source), squared and
//   averaged over each exposure.
// - Out of focus: half-flux radius of a Gaussian blurred by a uniform disc, by the noncentral
//   chi-squared distribution (the distance from the centre of a Gaussian shifted by rho is Rice's),
//   integrated over the disc: not a square root of a sum of squares.
// - Trailed: half-flux radius of an elliptical Gaussian by its integral over the angle.
// - Extinction in proportion to air mass, seeing's width to air mass^0.6 (Roddier 1981, from
//   memory).
#pragma once

#include <algorithm>
#include <boost/math/distributions/non_central_chi_squared.hpp>
#include <cmath>
#include <cstddef>
#include <numbers>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "starwaist/night.h"

namespace starwaist::testing_support {

// Half-flux radius over that in focus, u = (disc radius / sqrt 2) / (half-flux radius in focus).
inline double blurred_size(double u) {
  static const std::vector<double> table = [] {
    const double h0 = std::sqrt(2 * std::log(2.0));  // of a Gaussian of sigma 1
    std::vector<double> sizes;
    for (int k = 0; k <= 120; ++k) {
      const double disc = std::abs(k * 0.05) * h0 * std::sqrt(2.0);
      const auto inside = [&](double r) {
        if (disc == 0) return 1 - std::exp(-r * r / 2);
        constexpr int kRings = 24;
        double sum = 0;
        for (int i = 0; i < kRings; ++i) {  // rings of equal area
          const double rho = disc * std::sqrt((i + 0.5) / kRings);
          sum += boost::math::cdf(
              boost::math::non_central_chi_squared_distribution<double>(2, rho * rho), r * r);
        }
        return sum / kRings;
      };
      double low = 0;
      double high = 3 + 2 * disc;
      for (int step = 0; step < 40; ++step) {
        const double middle = 0.5 * (low + high);
        (inside(middle) < 0.5 ? low : high) = middle;
      }
      sizes.push_back(0.5 * (low + high) / h0);
    }
    return sizes;
  }();
  const double place = std::min(std::abs(u) / 0.05, 119.0);
  const auto k = static_cast<std::size_t>(place);
  return table[k] + (place - static_cast<double>(k)) * (table[k + 1] - table[k]);
}

// Half-flux radius of a Gaussian with axes `ratio` and 1, over that of a round one of 1.
inline double trailed_size(double ratio) {
  const auto inside = [&](double r) {
    constexpr int kAngles = 90;
    double sum = 0;
    for (int i = 0; i < kAngles; ++i) {
      const double phi = (i + 0.5) / kAngles * std::numbers::pi;
      const double q = std::pow(std::cos(phi) / ratio, 2) + std::pow(std::sin(phi), 2);
      sum += (1 - std::exp(-r * r * q / 2)) / q;
    }
    return sum / (kAngles * ratio);
  };
  double low = 0;
  double high = 3 * ratio;
  for (int step = 0; step < 40; ++step) {
    const double middle = 0.5 * (low + high);
    (inside(middle) < 0.5 ? low : high) = middle;
  }
  return 0.5 * (low + high) / std::sqrt(2 * std::log(2.0));
}

struct TrueSpell {
  std::string cause;
  std::size_t first = 0;
  std::size_t last = 0;
};

struct NightSession {
  std::vector<NightFrame> frames;
  std::vector<TrueSpell> spells;
  std::optional<double> x_per_c;  // defocus in units of the size in focus
  std::optional<double> x_per_hour;
  std::vector<std::size_t> refocus_at;  // first frames after a refocus, the night's first one too

  // Mean change of temperature in an hour, from each refocus to the next.
  [[nodiscard]] double rate_c_per_hour() const {
    double change = 0;
    double hours = 0;
    for (std::size_t e = 0; e < refocus_at.size(); ++e) {
      const NightFrame& first = frames[refocus_at[e]];
      const NightFrame& last =
          frames[(e + 1 < refocus_at.size() ? refocus_at[e + 1] : frames.size()) - 1];
      if (!first.temperature_c || !last.temperature_c) continue;
      change += std::abs(*last.temperature_c - *first.temperature_c);
      hours += (*last.time_s - *first.time_s) / 3600;
    }
    return hours > 0 ? change / hours : 0;
  }
};

// What goes wrong: a cause of night.h, or "healthy". Further ones may be joined.
struct SessionPlan {
  std::vector<std::string> causes;
  bool positions = true;
  bool temperatures = true;
};

class NightMaker {
 public:
  explicit NightMaker(std::uint64_t seed) : random_(seed) {}

  NightSession make(const SessionPlan& plan) {
    NightSession night;
    const auto wants = [&](const char* cause) {
      return std::find(plan.causes.begin(), plan.causes.end(), cause) != plan.causes.end();
    };
    const double hours = uniform(3, 8);
    const double exposure = pick({60, 120, 180, 300});
    const double cadence = exposure + uniform(4, 25);
    const auto n = static_cast<std::size_t>(hours * 3600 / cadence);
    const double start = 1.8e9 + uniform(0, 1e7);

    // Filters in blocks or in turn.
    const int filter_count = std::uniform_int_distribution<>(1, 4)(random_);
    const bool in_turn = chance(0.5);
    static const char* const kNames[] = {"L", "R", "G", "Ha"};
    std::vector<double> filter_size;
    std::vector<double> filter_offset;
    for (int f = 0; f < filter_count; ++f) {
      filter_size.push_back(uniform(0.92, 1.08));
      filter_offset.push_back(f == 0 ? 0.0 : std::round(uniform(-40, 40)));
    }

    // Temperature: cools towards a floor, with waves; focus follows it with a delay.
    const double cooling = uniform(2, 7);
    const double cooling_h = uniform(1.5, 5);
    const double wave = uniform(0, 0.25);
    const double wave_h = uniform(0.7, 2);
    const double phase = uniform(0, 6.28);
    const double warm = uniform(-5, 15);
    const auto temperature = [&](double h) {
      return warm + cooling * std::exp(-h / cooling_h) + wave * std::sin(6.28 * h / wave_h + phase);
    };
    const double lag_h = uniform(0, 0.15);

    // Refocuses and what they leave over.
    const double refocus_every = chance(0.75) ? uniform(0.8, 2.5) : 100;
    std::vector<std::size_t> refocus_at = {0};
    for (double h = refocus_every; h < hours - 0.3; h += refocus_every * uniform(0.85, 1.15)) {
      refocus_at.push_back(static_cast<std::size_t>(h / hours * static_cast<double>(n)));
    }
    std::vector<double> left_over;
    for (std::size_t e = 0; e < refocus_at.size(); ++e) left_over.push_back(normal(0.08));

    // The drift: at its largest within a stretch the wanted x.
    double x_per_c = 0;
    double x_per_h = 0;
    const bool thermal = wants("thermal_drift");
    const bool creep = wants("focus_drift");
    if (thermal || creep) {
      double most = 0;
      for (std::size_t e = 0; e < refocus_at.size(); ++e) {
        const std::size_t end = e + 1 < refocus_at.size() ? refocus_at[e + 1] : n;
        for (std::size_t i = refocus_at[e]; i < end; ++i) {
          const double a = static_cast<double>(refocus_at[e]) * cadence / 3600;
          const double b = static_cast<double>(i) * cadence / 3600;
          most = std::max(
              most, thermal ? std::abs(temperature(b - lag_h) - temperature(a - lag_h)) : b - a);
        }
      }
      (thermal ? x_per_c : x_per_h) = uniform(0.8, 2.2) / most;
    }
    // A little drift that does no harm belongs to a healthy night.
    if (!thermal) x_per_c = uniform(0, 0.25) / cooling;
    night.refocus_at = refocus_at;
    if (thermal) night.x_per_c = x_per_c;
    if (creep) night.x_per_hour = x_per_h;

    std::optional<std::size_t> knock;
    double knock_x = 0;
    if (wants("focus_jump")) {
      knock = static_cast<std::size_t>(uniform(0.15, 0.85) * static_cast<double>(n));
      // Not just before a refocus, where nobody could see it.
      for (const std::size_t r : refocus_at) {
        if (r > *knock && r - *knock < 8) knock = r + 4;
      }
      knock = std::min(*knock, n - 9);
      knock_x = uniform(0.75, 1.8);
    }
    std::size_t missed = refocus_at.size();
    if (wants("missed_focus") && refocus_at.size() > 1) {
      missed = std::uniform_int_distribution<std::size_t>(1, refocus_at.size() - 1)(random_);
      left_over[missed] = uniform(0.8, 1.8);
    }

    // Spells by their frames.
    const auto spell = [&](double shortest_min, double longest_min) {
      const auto length = std::max<std::size_t>(
          static_cast<std::size_t>(60 * uniform(shortest_min, longest_min) / cadence), 3);
      const auto first = static_cast<std::size_t>(uniform(0.05, 0.9) *
                                                  static_cast<double>(n - std::min(n - 1, length)));
      return std::pair(first, std::min(first + length, n - 1));
    };
    const auto cloud = spell(10, 50);
    const double cloud_mag = uniform(0.35, 1.5);
    const auto bad_air = spell(25, 70);
    const double bad_factor = uniform(1.6, 2.2);
    const auto trail = spell(6, 40);
    const double trail_ratio = uniform(1.35, 2.2);
    const auto lamp = spell(20, 80);
    const double lamp_factor = uniform(3, 7);
    const auto fog_from = static_cast<std::size_t>(uniform(0.4, 0.75) * static_cast<double>(n));
    const double fog_mag = uniform(0.6, 1.6);
    const double fog_growth = uniform(0.15, 0.35);

    // Altitude: rises to the meridian or sinks.
    const double highest = uniform(45, 80);
    const double transit_h = uniform(0, hours);
    const bool altitude_known = chance(0.5);
    const double extinction = uniform(0.1, 0.3);

    const double fast = uniform(0.03, 0.07);
    const double slow = uniform(0.02, 0.06);
    const double base = uniform(1.3, 2.6);
    const double sigma = uniform(0.004, 0.012);
    const double light_noise = uniform(0.008, 0.02);
    const double own_e = uniform(0.2, 0.4);
    const bool astigmatic = chance(0.3);
    constexpr double kTick = 20;
    double seeing_fast = normal(fast);
    double seeing_slow = normal(slow);
    const double rate_fast = std::exp(-kTick / 200);
    const double rate_slow = std::exp(-kTick / 2700);

    std::vector<double> by_drift(n);
    std::vector<double> by_step(n);
    for (std::size_t i = 0; i < n; ++i) {
      const double h = static_cast<double>(i) * cadence / 3600;
      // Seeing over this cadence.
      double square = 0;
      int ticks = 0;
      for (double t = 0; t < cadence; t += kTick) {
        seeing_fast = rate_fast * seeing_fast + normal(fast * std::sqrt(1 - rate_fast * rate_fast));
        seeing_slow = rate_slow * seeing_slow + normal(slow * std::sqrt(1 - rate_slow * rate_slow));
        if (t < exposure) {
          square += std::exp(2 * (seeing_fast + seeing_slow));
          ++ticks;
        }
      }
      double width = std::sqrt(square / ticks);
      const double altitude =
          std::max(25.0, highest - 11 * std::abs(h - transit_h) - std::abs(h - transit_h));
      const double air = air_mass(altitude);
      width *= std::pow(air, 0.6) / std::pow(air_mass(highest), 0.6);
      if (wants("bad_seeing")) width *= 1 + (bad_factor - 1) * bump(i, bad_air);

      std::size_t e = 0;
      while (e + 1 < refocus_at.size() && refocus_at[e + 1] <= i) ++e;
      const double since = static_cast<double>(refocus_at[e]) * cadence / 3600;
      const double drifted =
          x_per_c * (temperature(h - lag_h) - temperature(since - lag_h)) + x_per_h * (h - since);
      const bool knocked = knock && i >= *knock && refocus_at[e] <= *knock;
      const double x = left_over[e] + drifted + (knocked ? (drifted < 0 ? -knock_x : knock_x) : 0);
      by_drift[i] = blurred_size(drifted) - 1;
      by_step[i] = knocked || e == missed ? blurred_size(knocked ? knock_x : left_over[e]) - 1 : 0;
      // Blur does not grow with the air: u is relative to the present width.
      double size = base * width * blurred_size(x / width);
      double e_now = std::abs(own_e + normal(0.03));
      double coherence = uniform(0.05, 0.35);
      if (astigmatic) {
        e_now = std::min(0.75, std::hypot(e_now, 0.25 * std::abs(x)));
        coherence = std::min(0.9, coherence + 0.2 * std::abs(x));
      }
      if (wants("image_motion") && i >= trail.first && i <= trail.second) {
        const double ratio = 1 + (trail_ratio - 1) * uniform(0.75, 1.25);
        size *= trailed_size(ratio);
        e_now = std::sqrt(1 - 1 / (ratio * ratio));
        coherence = uniform(0.7, 0.95);
      }
      double dimming = extinction * (air - 1);
      double sky = 1 + 0.15 * std::sin(h / 2 + phase);
      if (wants("passing_cloud")) {
        const double depth = cloud_mag * bump(i, cloud) * uniform(0.7, 1.15);
        dimming += depth;
        sky *= 1 + 0.3 * depth;
      }
      if (wants("fogging") && i > fog_from) {
        const double part =
            static_cast<double>(i - fog_from) / static_cast<double>(n - 1 - fog_from);
        dimming += fog_mag * part;
        size *= 1 + fog_growth * fog_mag * part;
      }
      if (wants("background_change") && i >= lamp.first && i <= lamp.second) sky *= lamp_factor;

      NightFrame frame;
      frame.file = "light_" + std::to_string(1000 + i) + ".fits";
      frame.time_s = start + h * 3600;
      frame.exposure_s = exposure;
      const int f = in_turn ? static_cast<int>(i) % filter_count
                            : static_cast<int>(i * static_cast<std::size_t>(filter_count) / n);
      frame.filter = kNames[f];
      frame.group = f;
      if (plan.positions) {
        frame.position_steps = std::round(5000 + 97.0 * static_cast<double>(e)) +
                               filter_offset[static_cast<std::size_t>(f)];
      }
      if (plan.temperatures) {
        frame.temperature_c = std::round(10 * (temperature(h) + normal(0.04))) / 10;
      }
      if (altitude_known) frame.altitude_deg = altitude;
      frame.size_px = size * filter_size[static_cast<std::size_t>(f)] * (1 + normal(sigma));
      frame.size_sigma_px = *frame.size_px * sigma;
      frame.fwhm_px = 2 * *frame.size_px;
      frame.eccentricity = std::min(e_now, 0.98);
      frame.elongation_coherence = coherence;
      frame.dimming_mag = dimming + 0.4 * f + normal(light_noise);
      frame.dimming_sigma_mag = light_noise;
      frame.sky_noise_adu = 12 * std::sqrt(sky) * (1 + normal(0.01));
      night.frames.push_back(frame);
    }

    const auto add = [&](const char* cause, std::size_t first, std::size_t last) {
      night.spells.push_back({cause, first, last});
    };
    const auto add_growth = [&](const char* cause, const std::vector<double>& grown) {
      for (std::size_t e = 0; e < refocus_at.size(); ++e) {
        const std::size_t end = e + 1 < refocus_at.size() ? refocus_at[e + 1] : n;
        std::optional<std::size_t> first;
        std::size_t last = 0;
        for (std::size_t i = refocus_at[e]; i < end; ++i) {
          if (grown[i] < 0.05) continue;
          if (!first) first = i;
          last = i;
        }
        if (first) add(cause, *first, last);
      }
    };
    if (thermal) add_growth("thermal_drift", by_drift);
    if (creep) add_growth("focus_drift", by_drift);
    if (wants("focus_jump")) add_growth("focus_jump", by_step);
    if (missed < refocus_at.size()) add_growth("missed_focus", by_step);
    if (wants("passing_cloud")) add("passing_cloud", cloud.first, cloud.second);
    if (wants("fogging")) add("fogging", fog_from + (n - fog_from) / 5, n - 1);
    if (wants("image_motion")) add("image_motion", trail.first, trail.second);
    if (wants("bad_seeing")) add("bad_seeing", bad_air.first, bad_air.second);
    if (wants("background_change")) add("background_change", lamp.first, lamp.second);
    return night;
  }

 private:
  double uniform(double low, double high) {
    return std::uniform_real_distribution<>(low, high)(random_);
  }
  double normal(double sigma) { return sigma * std::normal_distribution<>()(random_); }
  bool chance(double p) { return std::bernoulli_distribution(p)(random_); }
  double pick(std::vector<double> values) {
    return values[std::uniform_int_distribution<std::size_t>(0, values.size() - 1)(random_)];
  }
  // 1 over the spell, with soft edges inside it.
  static double bump(std::size_t i, const std::pair<std::size_t, std::size_t>& spell) {
    if (i < spell.first || i > spell.second) return 0;
    const auto width = static_cast<double>(spell.second - spell.first + 1);
    const double edge = std::min(static_cast<double>(i - spell.first) + 0.5,
                                 static_cast<double>(spell.second - i) + 0.5) /
                        (0.2 * width);
    return std::min(edge, 1.0);
  }

  std::mt19937_64 random_;
};

}  // namespace starwaist::testing_support
