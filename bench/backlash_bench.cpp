// Slack from sweeps on curves by wave optics, with seeing scatter in its own shape, drift of focus
// and bad points: error, coverage of the interval, and how often no slack is called slack.
//
// Usage: backlash_bench [trials a cell, 45] [seed, 1] [cell, all] [slack in steps, all]
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <string>
#include <vector>

#include "../bench/rendered_curve.h"
#include "starwaist/backlash.h"

namespace {

using starwaist::CurvePoint;
using starwaist::SweepRecord;
using starwaist::bench::Telescope;

constexpr double kTruth = 20000;

struct Setting {
  int sweeps = 3;  // in, out, in ...
  double slack = 0;
  double seeing = 0.03;
  double measuring = 0.01;
  double drift_half_zones = 0;  // of best focus from sweep to sweep, at most, either way
  double outlier_share = 0;     // of the sweeps, one bad point in each
  double pause_half_zones = 0;  // jump of best focus between two sweeps, at most, either way
  int sweeps_in_record = 1;     // that one folder holds
};

std::vector<SweepRecord> take(const Telescope& t, const Setting& s, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform(-1, 1);
  const double half = 3 * t.core_steps + 0.5 * s.slack;
  const int n =
      std::clamp(static_cast<int>(std::ceil(2 * half / (0.75 * t.core_steps))) + 1, 9, 21);
  const double centre = kTruth + 0.5 * s.slack + 0.5 * t.core_steps * uniform(random);
  const double half_zone = 0.5 * *starwaist::critical_focus_zone_steps(t.rig);
  const double drift = s.drift_half_zones * half_zone * uniform(random) / n;  // a frame
  std::vector<SweepRecord> records;
  double place = 0;
  double jumped = 0;
  int frame = 0;
  for (int k = 0; k < s.sweeps; ++k) {
    SweepRecord record;
    if (k > 0) jumped += s.pause_half_zones * half_zone * uniform(random);
    for (int i = 0; i < n; ++i) {
      const int slot = k % 2 == 0 ? n - 1 - i : i;
      CurvePoint p;
      p.file = "row " + std::to_string(i + 1);
      p.position_steps = std::round(centre + half * (2.0 * slot / (n - 1) - 1));
      if (frame == 0) place = p.position_steps - s.slack * 0.5 * (1 + uniform(random));
      place = std::clamp(place, p.position_steps - s.slack, p.position_steps);
      const double z = place - (kTruth + jumped + drift * (frame - 0.5 * (n * s.sweeps - 1)));
      const double size = t.size_px(z);
      p.size_px = size * std::exp(t.share(z) * s.seeing * normal(random)) *
                  (1 + s.measuring * normal(random));
      p.sigma_px = s.measuring * size;
      record.push_back(p);
      ++frame;
    }
    if (0.5 * (1 + uniform(random)) < s.outlier_share) {
      CurvePoint& bad = record[static_cast<std::size_t>(random() % record.size())];
      bad.size_px = *bad.size_px * (1 + (0.15 + 0.3 * (1 + uniform(random))));
    }
    if (k % s.sweeps_in_record == 0) {
      records.push_back(record);
    } else {
      records.back().insert(records.back().end(), record.begin(), record.end());
    }
  }
  return records;
}

void run_cell(const char* label, const std::vector<Telescope>& telescopes, Setting s, int trials,
              const std::vector<double>& slacks, std::mt19937_64& random) {
  for (const double slack : slacks) {
    s.slack = slack;
    int count = 0;
    int covered = 0;
    int found = 0;
    int trusted = 0;
    int good = 0;
    int taken_up = 0;
    double squares = 0;  // of the error over what is allowed
    double steps = 0;
    for (int i = 0; i < trials; ++i) {
      const Telescope& t = telescopes[static_cast<std::size_t>(i) % telescopes.size()];
      const auto records = take(t, s, random);
      const auto r = starwaist::measure_backlash(records, t.rig);
      ++count;
      if (!r || !r->backlash_steps) continue;
      covered += r->interval_95_steps.contains(slack) ? 1 : 0;
      found += r->slack_found ? 1 : 0;
      trusted += r->verdict == starwaist::Verdict::trusted ? 1 : 0;
      taken_up += r->takeup_steps.value_or(0) >= slack ? 1 : 0;
      const double error = *r->backlash_steps - slack;
      const double allowed =
          std::max(0.15 * 0.5 * *starwaist::critical_focus_zone_steps(t.rig), 0.05 * slack);
      squares += error * error / (allowed * allowed);
      steps += error * error;
      good += std::abs(error) <= allowed ? 1 : 0;
    }
    std::printf(
        "%-42s slack %3.0f: rms %6.2f steps, %5.2f of the allowed; within %5.1f %%  95 %% interval "
        "%5.1f %%  called slack %5.1f %%  take-up enough %5.1f %%  trusted %5.1f %%\n",
        label, slack, std::sqrt(steps / count), std::sqrt(squares / count), 100.0 * good / count,
        100.0 * covered / count, 100.0 * found / count, 100.0 * taken_up / count,
        100.0 * trusted / count);
  }
}

}  // namespace

int main(int argc, char** argv) {
  std::setvbuf(stdout, nullptr, _IOLBF, 0);  // a line at a time, into a file too
  const int trials = argc > 1 ? std::atoi(argv[1]) : 45;
  std::mt19937_64 random(argc > 2 ? static_cast<unsigned>(std::atoi(argv[2])) : 1U);
  std::vector<double> slacks{0, 15, 60, 200};
  if (argc > 4) slacks = {std::atof(argv[4])};
  std::vector<starwaist::bench::TelescopeOptions> list;
  for (const std::size_t k : {0U, 2U, 4U}) {
    list.push_back(starwaist::bench::telescopes()[k]);
    list.back().reach_cores = 14;
  }
  const auto telescopes = starwaist::bench::rendered(list);
  struct Cell {
    const char* name;
    Setting setting;
  };
  const std::vector<Cell> cells = {
      {"in-out-in", {}},
      {"in-out-in, drift", {.drift_half_zones = 0.5}},
      {"in-out-in, drift, bad points", {.drift_half_zones = 0.5, .outlier_share = 0.5}},
      {"in-out-in, quiet night, drift",
       {.seeing = 0.015, .measuring = 0.004, .drift_half_zones = 0.5}},
      {"one record, drift", {.drift_half_zones = 0.5, .sweeps_in_record = 3}},
      {"two records in-out, drift", {.sweeps = 4, .drift_half_zones = 0.5, .sweeps_in_record = 2}},
      {"in-out", {.sweeps = 2}},
      {"in-out, drift", {.sweeps = 2, .drift_half_zones = 0.5}},
      {"in-out, drift in a pause", {.sweeps = 2, .pause_half_zones = 0.5}}};
  for (const Cell& cell : cells) {
    if (argc > 3 && std::string(argv[3]) != "all" && std::string(argv[3]) != cell.name) continue;
    run_cell(cell.name, telescopes, cell.setting, trials, slacks, random);
  }
  return 0;
}
