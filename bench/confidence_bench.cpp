// Does a confidence mean what it says? Tables of made-up runs, half of them healthy, the others
// with one cause each, from hardly there to plain, so that many findings are uncertain.
//
// Usage: confidence_bench [runs of each cause, 300] [seed, 1]
//
// Sizes by wave optics (tests/support/wave_optics.h), not by the library's renderer: f/2.2 to f/8,
// with and without obstruction and spherical aberration, Kolmogorov or Gaussian seeing that is
// correlated from frame to frame; sizes rounded as programs write them, positions that the focuser
// misses by up to half a step, sigmas and rig known or not, now and then a rig that is wrong by
// some per cent. Only causes that a table shows; true is what was made to happen, however little of
// it, and nothing else: of two that cannot be told apart (equal sizes: no motion, or far too small
// a step) one is wrong.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <string>
#include <vector>

#include "core/parallel.h"
#include "dice.h"
#include "starwaist/diagnosis.h"
#include "starwaist/rig.h"
#include "support/wave_optics.h"

namespace {

using starwaist::bench::Dice;
using starwaist::wave::FocusCurve;
using starwaist::wave::Optics;

constexpr double kPixelUm = 3.76;

struct Telescope {
  Optics optics;
  double core_um = 1;  // size in focus over the arms' slope
  double half_zone_um = 1;
  FocusCurve curve;
};

Telescope telescope(double focal_ratio, double obstruction, bool kolmogorov, double w040) {
  const Optics o{.focal_ratio = focal_ratio,
                 .obstruction = obstruction,
                 .w040_waves = w040,
                 .seeing_hfr_um = 1.8 * kPixelUm,
                 .kolmogorov = kolmogorov};
  const double core = o.seeing_hfr_um / starwaist::arm_slope_px_per_um(focal_ratio, obstruction, 1);
  const double reach = 9 * core + 8 * focal_ratio * focal_ratio * o.wavelength_um * w040;
  const double zone = starwaist::critical_focus_zone_um(focal_ratio, o.wavelength_um);
  return {o, core, 0.5 * zone, FocusCurve(o, reach)};
}

struct Run {
  std::vector<double> commanded_um;  // from best focus, in the order taken
  std::vector<double> places_um;     // where the focus was
  std::vector<double> log_light;
  std::vector<double> log_seeing;  // over the usual one
  std::vector<double> temperature_c;
};

// n positions out to `reach` cores about `centre`, either way.
Run sweep(Dice& dice, const Telescope& t, int n, double reach, double centre) {
  Run run;
  const double way = dice.chance(0.5) ? 1 : -1;
  for (int i = 0; i < n; ++i) {
    run.commanded_um.push_back(t.core_um * (centre + way * reach * (2.0 * i / (n - 1) - 1)));
  }
  run.places_um = run.commanded_um;
  run.log_light.assign(run.commanded_um.size(), 0.0);
  run.log_seeing = run.log_light;
  run.temperature_c.assign(run.commanded_um.size(), 8.0);
  return run;
}

Run healthy(Dice& dice, const Telescope& t) {
  return sweep(dice, t, static_cast<int>(dice.between(7, 13)), dice.between(2.2, 3.2),
               dice.between(-0.4, 0.4));
}

double step_um(const Run& run) { return std::abs(run.commanded_um[1] - run.commanded_um[0]); }

Run with_cause(const std::string& cause, Dice& dice, const Telescope& t, double um_per_c) {
  Run run = healthy(dice, t);
  const double strength = dice.log_between(0.25, 2.5);
  const double side = dice.chance(0.5) ? 1 : -1;
  const std::size_t n = run.places_um.size();
  const auto count = [&](double low, double high) {
    return static_cast<int>(dice.between(low, high));
  };
  if (cause == "one_sided") {
    const double reach = dice.between(1.2, 2);
    run = sweep(dice, t, count(7, 12), reach, side * (reach + 0.5 * strength));
  } else if (cause == "step_too_small") {
    run = sweep(dice, t, count(7, 12), 0.4 / std::max(strength, 0.4), dice.between(-0.1, 0.1));
  } else if (cause == "step_too_large") {
    const double step = std::clamp(2 * strength, 1.2, 2.6);
    run = sweep(dice, t, 7, 3 * step, dice.between(-0.3, 0.3));
  } else if (cause == "too_few_points") {
    run = sweep(dice, t, count(3, 5), dice.between(1.5, 2.5), dice.between(-0.3, 0.3));
  } else if (cause == "slack") {
    const double width = strength * std::max(1.2 * step_um(run), 0.6 * t.core_um);
    const double way = run.commanded_um[1] > run.commanded_um[0] ? 1 : -1;
    const double reached = run.commanded_um[0] + way * width;
    for (double& place : run.places_um) {
      place = way > 0 ? std::max(place, reached) : std::min(place, reached);
    }
  } else if (cause == "no_motion") {
    const double share = std::clamp(0.67 - 0.25 * (strength - 1), 0.0, 0.85);
    const auto from = static_cast<std::size_t>(share * static_cast<double>(n));
    for (std::size_t i = from; i < n; ++i) run.places_um[i] = run.places_um[from];
  } else if (cause == "focus_jump") {
    const auto from = 1 + static_cast<std::size_t>(dice.between(0, static_cast<double>(n - 1)));
    for (std::size_t i = from; i < n; ++i) run.places_um[i] += side * 0.6 * strength * t.core_um;
  } else if (cause == "passing_cloud") {
    const double middle = dice.between(0, static_cast<double>(n - 1));
    for (std::size_t i = 0; i < n; ++i) {
      const double away = (static_cast<double>(i) - middle) / 1.2;
      run.log_light[i] -= 0.4 / 1.0857 * strength * std::exp(-0.5 * away * away);
    }
  } else if (cause == "fogging") {
    for (std::size_t i = 0; i < n; ++i) {
      const double part = static_cast<double>(i) / static_cast<double>(n - 1);
      run.log_light[i] -= 0.5 / 1.0857 * strength * part;
      run.log_seeing[i] += 0.25 * strength * part;
    }
  } else if (cause == "thermal_drift") {
    for (std::size_t i = 0; i < n; ++i) {
      const double part = static_cast<double>(i) / static_cast<double>(n - 1);
      run.places_um[i] -= side * strength * t.half_zone_um * part;
      run.temperature_c[i] += side * strength * t.half_zone_um * part / um_per_c;
    }
  }
  return run;
}

starwaist::RunRecord record_of(Dice& dice, const Telescope& t, const Run& run, double um_per_step,
                               double um_per_c) {
  const double scatter = dice.between(0.01, 0.05);
  const double correlation = dice.between(0, 0.6);
  const double measuring = dice.log_between(0.004, 0.015);
  const double rounded_px = dice.chance(0.5) ? 0.01 : 1e-4;
  const bool with_sigma = dice.chance(0.5);
  const bool with_light = dice.chance(0.7);
  const double best_steps = dice.between(3000, 20000);
  const double missed_steps = dice.chance(1.0 / 3) ? 0.5 : 0;
  double seeing = dice.normal();
  std::vector<starwaist::CurvePoint> points;
  starwaist::RunRecord record;
  for (std::size_t i = 0; i < run.places_um.size(); ++i) {
    seeing = correlation * seeing + std::sqrt(1 - correlation * correlation) * dice.normal();
    const double place = run.places_um[i] + um_per_step * dice.between(-missed_steps, missed_steps);
    const double u = place / t.core_um;
    const double size =
        t.curve.at(place + t.curve.best_um()) / kPixelUm *
        (1 + (scatter * seeing + run.log_seeing[i]) / (1 + u * u) + measuring * dice.normal());
    starwaist::CurvePoint p;
    p.file = "row " + std::to_string(i + 1);
    p.position_steps = best_steps + std::round(run.commanded_um[i] / um_per_step);
    p.size_px = rounded_px * std::round(size / rounded_px);
    if (with_sigma) p.sigma_px = measuring * size;
    starwaist::PointFacts facts;
    facts.temperature_c = run.temperature_c[i] + 0.02 * dice.normal();
    if (with_light) facts.light = std::exp(run.log_light[i] + 0.02 * dice.normal());
    facts.stars = static_cast<int>(std::round(
        80 * std::exp(0.6 * run.log_light[i] - 0.15 * std::log1p(u * u)) + 3 * dice.normal()));
    points.push_back(p);
    record.facts.push_back(facts);
  }
  if (dice.chance(0.67)) {
    record.rig.f_number = t.optics.focal_ratio;
    if (dice.chance(0.7)) record.rig.obstruction = t.optics.obstruction;
    record.rig.pixel_um = kPixelUm;
    record.rig.um_per_step = um_per_step * (dice.chance(0.3) ? dice.between(0.92, 1.08) : 1.0);
    record.rig.focus_um_per_c = um_per_c;
  }
  record.fit = *starwaist::fit_curve(points, record.rig);
  return record;
}

constexpr const char* kCauses[] = {
    "one_sided", "step_too_small", "step_too_large", "too_few_points", "slack",
    "no_motion", "focus_jump",     "passing_cloud",  "fogging",        "thermal_drift"};

struct Bin {
  int findings = 0;
  int right = 0;
  double confidence = 0;
};

}  // namespace

int main(int argc, char** argv) {
  const int each = argc > 1 ? std::atoi(argv[1]) : 300;
  const std::uint64_t seed = argc > 2 ? std::strtoull(argv[2], nullptr, 10) : 1;
  if (each < 1) {
    std::fprintf(stderr, "usage: confidence_bench [runs of each cause, 300] [seed, 1]\n");
    return 2;
  }
  std::vector<Telescope> telescopes;
  telescopes.push_back(telescope(2.2, 0.42, true, 0));
  telescopes.push_back(telescope(4, 0.33, true, 0.3));
  telescopes.push_back(telescope(5, 0.2, false, 0));
  telescopes.push_back(telescope(6, 0, true, 0.5));
  telescopes.push_back(telescope(8, 0.35, true, 0));
  const std::size_t causes = std::size(kCauses);
  const std::size_t ill = causes * static_cast<std::size_t>(each);
  struct Named {
    std::string truth;
    std::vector<starwaist::Finding> findings;
  };
  std::vector<Named> named(2 * ill);
  starwaist::core::parallel_for(named.size(), starwaist::core::thread_count(0), [&](std::size_t r) {
    Dice dice(seed * 1000003 + r);
    const Telescope& t = dice.pick(telescopes);
    const double um_per_step = t.core_um / dice.log_between(25, 150);
    const double um_per_c = dice.between(4, 20);
    Named& n = named[r];
    n.truth = r < ill ? kCauses[r % causes] : "";
    const Run run = r < ill ? with_cause(n.truth, dice, t, um_per_c) : healthy(dice, t);
    const starwaist::RunRecord record = record_of(dice, t, run, um_per_step, um_per_c);
    n.findings = starwaist::diagnose(record).findings;
  });

  std::array<Bin, 3> bins;  // 0.5 to 0.7, to 0.9, to 1
  std::map<std::string, std::array<Bin, 3>> of_cause;
  int healthy_named = 0;
  for (std::size_t r = 0; r < named.size(); ++r) {
    const Named& n = named[r];
    if (r >= ill) healthy_named += n.findings.empty() ? 0 : 1;
    for (const starwaist::Finding& finding : n.findings) {
      const std::size_t b = finding.confidence >= 0.9 ? 2 : finding.confidence >= 0.7 ? 1 : 0;
      for (Bin* bin : {&bins[b], &of_cause[finding.cause][b]}) {
        ++bin->findings;
        bin->confidence += finding.confidence;
        bin->right += finding.cause == n.truth ? 1 : 0;
      }
    }
  }
  const auto cells = [](const Bin& bin) {
    if (bin.findings == 0) {
      std::printf(" 0 | | |");
    } else {
      std::printf(" %d | %.2f | %.2f |", bin.findings, bin.confidence / bin.findings,
                  static_cast<double>(bin.right) / bin.findings);
    }
  };
  std::printf("%zu runs with a cause, %zu healthy (%d with a finding, %.1f %%)\n\n", ill, ill,
              healthy_named, 100.0 * healthy_named / static_cast<double>(ill));
  std::printf(
      "| | 0.5 to 0.7 | mean | true | 0.7 to 0.9 | mean | true | 0.9 to 1 | mean | true |\n");
  std::printf("|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|\n| all |");
  for (const Bin& bin : bins) cells(bin);
  std::printf("\n");
  for (const auto& [cause, its] : of_cause) {
    std::printf("| %s |", cause.c_str());
    for (const Bin& bin : its) cells(bin);
    std::printf("\n");
  }
  return 0;
}
