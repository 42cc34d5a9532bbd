// Made-up nights of focus runs with known truth, for tests and benches of drift.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <random>
#include <set>
#include <string>
#include <vector>

#include "core/clock.h"
#include "starwaist/drift.h"

namespace starwaist::testing_support {

struct NightsOptions {
  int nights = 1;
  int runs_a_night = 12;
  double minutes_between = 30;
  double slope = -12;    // steps per degree
  double scatter = 4;    // run to run, steps
  double sigma_low = 2;  // of the runs' own errors
  double sigma_high = 5;
  bool give_sigma = true;
  int filters = 1;
  double lag_minutes = 0;
  double altitude_steps_per_deg = 0;
  bool give_altitude = false;
  double outlier_share = 0;
  double outlier_sigmas = 6;  // of the run's whole sigma
  int jump_at = -1;           // first run of all after it; -1: none
  double jump_steps = 0;
  double thermometer_noise_c = 0;
};

struct Nights {
  std::vector<DriftRun> runs;
  std::vector<double> true_focus;  // of each run, without its own error
  std::vector<double> offsets;     // by filter number
  std::set<int> bad_rows;
  double slope = 0;
};

inline std::string filter_name(int number) {
  return std::string(1, static_cast<char>('A' + number));
}

// Air that cools from dusk on, fast at first, with a slow wave on it. The tube follows it with the
// lag, in steps of ten seconds, starting two hours before the first run in balance.
inline Nights make_nights(const NightsOptions& o, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> even;
  Nights made;
  made.slope = o.slope;
  for (int f = 0; f < o.filters; ++f) {
    made.offsets.push_back(f == 0 ? 0 : std::round(200 * (even(random) - 0.5)));
  }
  int row = 0;
  const double first_night = *core::parse_utc("2027-01-05T18:00:00");
  for (int night = 0; night < o.nights; ++night) {
    const double warm = 8 + 8 * normal(random);
    const double fall = 3 + 5 * even(random);
    const double decay = 2 + 3 * even(random);  // hours
    const double wave = 0.6 * normal(random);
    const double phase = 6.28 * even(random);
    const auto air = [&](double hours) {
      return warm - fall * (1 - std::exp(-std::max(0.0, hours) / decay)) +
             wave * std::sin(phase + hours * 1.1);
    };
    double tube = air(-2);
    double at = -2;
    for (int i = 0; i < o.runs_a_night; ++i) {
      const double hours = i * o.minutes_between / 60;
      if (o.lag_minutes > 0) {
        constexpr double kStep = 10.0 / 3600;
        for (; at < hours; at += kStep) {
          tube += (air(at) - tube) * (1 - std::exp(-kStep * 60 / o.lag_minutes));
        }
      } else {
        tube = air(hours);
      }
      DriftRun run;
      run.row = ++row;
      run.temperature_c = air(hours) + o.thermometer_noise_c * normal(random);
      run.time_utc = core::format_utc(first_night + 86400.0 * night + 3600 * hours);
      const int filter = static_cast<int>(even(random) * o.filters);
      if (o.filters > 1) run.filter = filter_name(filter);
      double focus = 5000 + o.slope * (tube - 5) + made.offsets[static_cast<std::size_t>(filter)];
      if (o.give_altitude) {
        const double altitude = std::round(25 + 60 * even(random));
        run.altitude_deg = altitude;
        focus += o.altitude_steps_per_deg * (altitude - 55);
      }
      focus += o.scatter * normal(random);
      const double sigma = o.sigma_low + (o.sigma_high - o.sigma_low) * even(random);
      if (o.give_sigma) run.sigma_steps = sigma;
      run.position_steps = focus + sigma * normal(random);
      if (o.jump_at >= 0 && row > o.jump_at) run.position_steps += o.jump_steps;
      if (even(random) < o.outlier_share) {
        const double side = even(random) < 0.5 ? -1 : 1;
        run.position_steps += side * o.outlier_sigmas * std::hypot(sigma, o.scatter);
        made.bad_rows.insert(row);
      }
      made.runs.push_back(run);
      made.true_focus.push_back(focus);
    }
  }
  return made;
}

}  // namespace starwaist::testing_support
