#include <array>
#include <cstddef>
#include <cstdio>
#include <string>

#include "coverage/parts.h"
#include "coverage/tally.h"
#include "coverage/telescopes.h"
#include "coverage/trial.h"
#include "starwaist/curve.h"

namespace starwaist::bench::coverage {

Claims false_trust(int trials, std::mt19937_64& random) {
  std::printf("must not be trusted\n");
  const auto& telescopes = telescopes_with(0);
  std::uniform_real_distribution<double> beyond(1.05, 2.0);
  std::array<Tally, 3> tallies;
  for (int i = 0; i < trials; ++i) {
    const Telescope& t = telescopes[static_cast<std::size_t>(i) % telescopes.size()];
    Setting s{.n = kCounts[static_cast<std::size_t>(i) % kCounts.size()]};
    s.half_range = 2;
    Trial trial = make_trial(t, s, random);
    // The whole sweep on one side of best focus.
    const double half = 2 * t.core_um;
    const double offset = beyond(random) * half * (i % 2 == 0 ? 1 : -1);
    std::normal_distribution<double> normal;
    for (std::size_t k = 0; k < trial.points.size(); ++k) {
      const double from_best =
          offset + half * (2.0 * static_cast<double>(k) / static_cast<double>(s.n - 1) - 1);
      trial.points[k].position_steps = trial.truth + from_best;
      trial.points[k].size_px =
          t.curve.at(t.curve.best_um() + from_best) / kPixelUm * (1 + 0.03 * normal(random));
    }
    if (const auto r = fit_curve(trial.points, t.rig)) tallies[0].add(*r, trial);
    for (CurvePoint& p : trial.points) p.size_px = 2 * (1 + 0.03 * normal(random));
    if (const auto r = fit_curve(trial.points, t.rig)) tallies[1].add(*r, trial);
    s.n = 3;
    trial = make_trial(t, s, random);
    if (const auto r = fit_curve(trial.points, t.rig)) tallies[2].add(*r, trial);
  }
  tallies[0].print("minimum outside the range");
  tallies[1].print("flat within noise");
  tallies[2].print("three points");
  std::printf("\n");
  const std::string what =
      "trusted of " + std::to_string(trials) + ": minimum outside, flat, three points";
  return {{what, 0, 0,
           static_cast<double>(tallies[0].trusted + tallies[1].trusted + tallies[2].trusted)}};
}

}  // namespace starwaist::bench::coverage
