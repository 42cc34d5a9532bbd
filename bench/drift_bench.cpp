// Drift over simulated nights and seasons: coverage of the slope's and the offsets' intervals,
// error against the fit that knows the bad runs, precision and recall of the rejection, coverage of
// predictions for runs that were not used.
//   drift_bench [trials]      300 by default, some seconds a row
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <set>
#include <string>
#include <vector>

#include "starwaist/drift.h"
#include "support/drift_nights.h"

namespace {

using starwaist::DriftOptions;
using starwaist::DriftRun;
using starwaist::testing_support::make_nights;
using starwaist::testing_support::NightsOptions;

struct Case {
  std::string name;
  NightsOptions nights;
  bool random_slope = true;
};

void run_case(const Case& c, int trials) {
  std::mt19937_64 random(20270105);
  std::uniform_real_distribution<double> even;
  int answered = 0;
  int covered = 0;
  int offsets = 0;
  int offsets_covered = 0;
  double error2 = 0;
  double limit2 = 0;
  double offset_error2 = 0;
  double offset_limit2 = 0;
  int right = 0;
  int rejected = 0;
  int bad = 0;
  int predictions = 0;
  int predictions_covered = 0;
  int lags = 0;
  double lag_sum = 0;
  for (int trial = 0; trial < trials; ++trial) {
    NightsOptions o = c.nights;
    if (c.random_slope) o.slope = 50 * even(random) - 25;
    auto made = make_nights(o, random);
    // Every fifth run is kept back for the predictions.
    std::vector<DriftRun> used;
    std::vector<std::size_t> kept_back;
    DriftOptions options;
    for (std::size_t i = 0; i < made.runs.size(); ++i) {
      const bool jumped = o.jump_at >= 0 && made.runs[i].row > o.jump_at;
      if (i % 5 == 3 && !jumped) {
        kept_back.push_back(i);
        options.predictions.push_back(
            {*made.runs[i].temperature_c, made.runs[i].filter, made.runs[i].altitude_deg});
      } else {
        used.push_back(made.runs[i]);
      }
    }
    std::set<int> truly_bad;
    std::vector<DriftRun> clean;
    for (const auto& run : used) {
      const bool jumped = o.jump_at >= 0 && run.row > o.jump_at;
      if (made.bad_rows.count(run.row) != 0) {
        if (!jumped) truly_bad.insert(run.row);
      } else if (!jumped) {
        clean.push_back(run);
      }
    }
    const auto fit = starwaist::fit_drift(used, options);
    DriftOptions plain;
    plain.lag = o.lag_minutes > 0;
    const auto limit = starwaist::fit_drift(clean, plain);
    if (!fit || !fit->result.slope_steps_per_c || !limit || !limit->result.slope_steps_per_c) {
      continue;
    }
    const auto& r = fit->result;
    ++answered;
    covered += r.slope_interval_95.contains(made.slope) ? 1 : 0;
    error2 += std::pow(*r.slope_steps_per_c - made.slope, 2);
    limit2 += std::pow(*limit->result.slope_steps_per_c - made.slope, 2);
    if (r.lag_minutes) {
      ++lags;
      lag_sum += *r.lag_minutes;
    }
    const auto offset_of = [&](const starwaist::DriftFilter& f) {
      return made.offsets[static_cast<std::size_t>((*f.filter)[0] - 'A')];
    };
    if (!r.filters.empty()) {
      const double base = offset_of(r.filters.front());
      for (const auto& f : r.filters) {
        if (!f.sigma_steps) continue;
        ++offsets;
        offsets_covered += f.interval_95_steps.contains(offset_of(f) - base) ? 1 : 0;
        offset_error2 += std::pow(f.offset_steps - (offset_of(f) - base), 2);
      }
    }
    if (!limit->result.filters.empty() &&
        limit->result.filters.front().filter == r.filters.front().filter) {
      const double base = offset_of(limit->result.filters.front());
      for (const auto& f : limit->result.filters) {
        if (f.sigma_steps) offset_limit2 += std::pow(f.offset_steps - (offset_of(f) - base), 2);
      }
    }
    for (const auto& rejection : r.rejected) {
      const bool jumped = o.jump_at >= 0 && rejection.row > o.jump_at;
      if (jumped) continue;
      ++rejected;
      right += truly_bad.count(rejection.row) != 0 ? 1 : 0;
    }
    bad += static_cast<int>(truly_bad.size());
    for (std::size_t i = 0; i < kept_back.size(); ++i) {
      if (!r.predictions[i].position_steps) continue;
      ++predictions;
      double truth = made.true_focus[kept_back[i]];
      predictions_covered += r.predictions[i].interval_95_steps.contains(truth) ? 1 : 0;
    }
  }
  const auto percent = [](int part, int whole) {
    return whole > 0 ? 100.0 * part / whole : std::nan("");
  };
  std::printf("%-34s %5d  %5.1f  %5.2f  %6.1f  %5.2f  %6.1f %6.1f  %6.1f  %4.0f %5.1f\n",
              c.name.c_str(), answered, percent(covered, answered), std::sqrt(error2 / limit2),
              percent(offsets_covered, offsets),
              offset_limit2 > 0 ? std::sqrt(offset_error2 / offset_limit2) : std::nan(""),
              percent(right, rejected), percent(right, bad),
              percent(predictions_covered, predictions), percent(lags, answered),
              lags > 0 ? lag_sum / lags : std::nan(""));
  std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
  const int trials = argc > 1 ? std::atoi(argv[1]) : 300;
  std::printf("%-34s %5s  %5s  %5s  %6s  %5s  %6s %6s  %6s  %4s %5s\n", "case", "fits", "slope",
              "error", "offset", "error", "prec.", "recall", "predic", "lag", "mean");
  std::printf("%-34s %5s  %5s  %5s  %6s  %5s  %6s %6s  %6s  %4s %5s\n", "", "", "cov %", "/lim",
              "cov %", "/lim", "%", "%", "cov %", "%", "min");
  std::vector<Case> cases;
  const auto add = [&](const std::string& name, const auto& change) {
    Case c{name, {}};
    change(c.nights);
    cases.push_back(c);
  };
  add("8 runs", [](auto& o) { o.runs_a_night = 10; });
  add("8 runs, no sigmas", [](auto& o) {
    o.runs_a_night = 10;
    o.give_sigma = false;
  });
  add("16 runs", [](auto& o) { o.runs_a_night = 20; });
  add("16 runs, no scatter", [](auto& o) {
    o.runs_a_night = 20;
    o.scatter = 0;
  });
  add("16 runs, small scatter", [](auto& o) {
    o.runs_a_night = 20;
    o.scatter = 2;
  });
  add("16 runs, 10 % off by 6 sigma", [](auto& o) {
    o.runs_a_night = 20;
    o.outlier_share = 0.1;
  });
  add("4 nights, 2 filters", [](auto& o) {
    o.nights = 4;
    o.filters = 2;
  });
  add("6 nights, 6 filters, 10 % off", [](auto& o) {
    o.nights = 6;
    o.filters = 6;
    o.outlier_share = 0.1;
  });
  add("season of 20, 4 filters, 15 % off", [](auto& o) {
    o.nights = 20;
    o.filters = 4;
    o.outlier_share = 0.15;
  });
  add("6 nights, altitude", [](auto& o) {
    o.nights = 6;
    o.give_altitude = true;
    o.altitude_steps_per_deg = 0.8;
  });
  add("6 nights, lag 10 min", [](auto& o) {
    o.nights = 6;
    o.lag_minutes = 10;
  });
  add("6 nights, lag 20 min", [](auto& o) {
    o.nights = 6;
    o.lag_minutes = 20;
  });
  add("6 nights, lag 40 min", [](auto& o) {
    o.nights = 6;
    o.lag_minutes = 40;
  });
  add("12 nights, lag 40, 3 filt., 10 %", [](auto& o) {
    o.nights = 12;
    o.lag_minutes = 40;
    o.filters = 3;
    o.outlier_share = 0.1;
  });
  add("20 runs, jump of 40 after 14", [](auto& o) {
    o.runs_a_night = 20;
    o.jump_at = 14;
    o.jump_steps = 40;
  });
  add("5 nights, jump of 60, 3 filters", [](auto& o) {
    o.nights = 5;
    o.filters = 3;
    o.jump_at = 40;
    o.jump_steps = 60;
    o.outlier_share = 0.05;
  });
  for (const auto& c : cases) run_case(c, trials);
  return 0;
}
