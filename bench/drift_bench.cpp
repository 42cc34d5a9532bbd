// Drift over simulated nights and seasons: coverage of the slope's and the offsets' intervals,
// error against the fit that knows the bad runs, precision and recall of the rejection, coverage of
// predictions for runs that were not used.
//   drift_bench [trials [NAME]]      300 by default; those cases alone whose name has NAME in it
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

struct Sums {
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
};

void print(const std::string& name, const Sums& s) {
  const auto percent = [](int part, int whole) {
    return whole > 0 ? 100.0 * part / whole : std::nan("");
  };
  const auto root = [](double part, double whole) {
    return whole > 0 ? std::sqrt(part / whole) : std::nan("");
  };
  std::printf("%-34s %5d  %5.1f  %5.2f  %6.1f  %5.2f  %6.1f %6.1f  %6.1f  %4.0f %5.1f\n",
              name.c_str(), s.answered, percent(s.covered, s.answered), root(s.error2, s.limit2),
              percent(s.offsets_covered, s.offsets), root(s.offset_error2, s.offset_limit2),
              percent(s.right, s.rejected), percent(s.right, s.bad),
              percent(s.predictions_covered, s.predictions), percent(s.lags, s.answered),
              s.lags > 0 ? s.lag_sum / s.lags : std::nan(""));
  std::fflush(stdout);
}

Sums run_case(const Case& c, int trials) {
  std::mt19937_64 random(20270105);
  std::uniform_real_distribution<double> even;
  Sums sums;
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
    ++sums.answered;
    sums.covered += r.slope_interval_95.contains(made.slope) ? 1 : 0;
    sums.error2 += std::pow(*r.slope_steps_per_c - made.slope, 2);
    sums.limit2 += std::pow(*limit->result.slope_steps_per_c - made.slope, 2);
    if (r.lag_minutes) {
      ++sums.lags;
      sums.lag_sum += *r.lag_minutes;
    }
    const auto offset_of = [&](const starwaist::DriftFilter& f) {
      return made.offsets[static_cast<std::size_t>((*f.filter)[0] - 'A')];
    };
    // Offsets are from the filter with the most runs, which the bad ones may change.
    const auto& known = limit->result.filters;
    const bool same_base =
        !r.filters.empty() && !known.empty() && known.front().filter == r.filters.front().filter;
    const auto squared = [&](const std::vector<starwaist::DriftFilter>& filters) {
      double sum = 0;
      for (const auto& f : filters) {
        const double truth = offset_of(f) - offset_of(filters.front());
        if (f.sigma_steps) sum += std::pow(f.offset_steps - truth, 2);
      }
      return sum;
    };
    if (same_base && known.size() == r.filters.size()) {
      sums.offset_error2 += squared(r.filters);
      sums.offset_limit2 += squared(known);
    }
    for (const auto& f : r.filters) {
      if (!f.sigma_steps) continue;
      ++sums.offsets;
      sums.offsets_covered +=
          f.interval_95_steps.contains(offset_of(f) - offset_of(r.filters.front())) ? 1 : 0;
    }
    for (const auto& rejection : r.rejected) {
      const bool jumped = o.jump_at >= 0 && rejection.row > o.jump_at;
      if (jumped) continue;
      ++sums.rejected;
      sums.right += truly_bad.count(rejection.row) != 0 ? 1 : 0;
    }
    sums.bad += static_cast<int>(truly_bad.size());
    for (std::size_t i = 0; i < kept_back.size(); ++i) {
      if (!r.predictions[i].position_steps) continue;
      ++sums.predictions;
      double truth = made.true_focus[kept_back[i]];
      sums.predictions_covered += r.predictions[i].interval_95_steps.contains(truth) ? 1 : 0;
    }
  }
  print(c.name, sums);
  return sums;
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
  Sums all;  // without lags, which differ from case to case
  for (const auto& c : cases) {
    if (argc > 2 && c.name.find(argv[2]) == std::string::npos) continue;
    const Sums one = run_case(c, trials);
    all.answered += one.answered;
    all.covered += one.covered;
    // Each case counts as much: the mean of the squared ratios.
    all.error2 += one.error2 / one.limit2;
    all.limit2 += 1;
    if (one.offset_limit2 > 0) {
      all.offset_error2 += one.offset_error2 / one.offset_limit2;
      all.offset_limit2 += 1;
    }
    all.offsets += one.offsets;
    all.offsets_covered += one.offsets_covered;
    all.right += one.right;
    all.rejected += one.rejected;
    all.bad += one.bad;
    all.predictions += one.predictions;
    all.predictions_covered += one.predictions_covered;
  }
  print("all", all);
  return 0;
}
