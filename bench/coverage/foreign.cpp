#include <cstdio>
#include <vector>

#include "coverage/parts.h"
#include "coverage/tally.h"
#include "coverage/telescopes.h"
#include "coverage/trial.h"

namespace starwaist::bench::coverage {

void foreign(int trials, std::mt19937_64& random) {
  std::printf(
      "runs that the fit does not model; n = 9 (5 to 15 by turns), 3 %% seeing, 1 %% measuring\n");
  struct Kind {
    const char* name;
    Setting setting;
  };
  Setting plain;
  std::vector<Kind> kinds{{"as modelled", plain}};
  const auto kind = [&](const char* name) -> Setting& {
    kinds.push_back({name, plain});
    return kinds.back().setting;
  };
  kind("sharper curve (power 1.6)").shape_power = 1.6;
  kind("blunter curve (power 2.5)").shape_power = 2.5;
  kind("seeing correlated 0.7").seeing_correlation = 0.7;
  kind("sigma half of the truth").sigma_factor = 0.5;
  kind("sigma twice the truth").sigma_factor = 2;
  kind("sigma a tenth of the truth").sigma_factor = 0.1;
  kind("sigma ten times the truth").sigma_factor = 10;
  kind("sizes to 0.01 px").quantum_px = 0.01;
  kind("sizes to 0.1 px").quantum_px = 0.1;
  Setting& rounded = kind("sizes to 0.1 px, no sigma");
  rounded.quantum_px = 0.1;
  rounded.give_sigma = false;
  kind("unequal steps").unequal_steps = 0.8;
  kind("repeated positions").repeats = true;
  Setting& wide = kind("half range 6 cores, no sigma");
  wide.half_range = 6;
  wide.give_sigma = false;
  kind("half range 1.5 cores").half_range = 1.5;
  const auto& telescopes = telescopes_with(0);
  for (const Kind& k : kinds) {
    Tally tally;
    for (const int n : kCounts) {
      Setting s = k.setting;
      s.n = n;
      tally.add(run_cell(telescopes, s, trials, random));
    }
    tally.print(k.name);
  }
  std::printf("\n");
}

void rendered_accuracy(int trials, std::mt19937_64& random) {
  std::printf(
      "rms in half zones, n = 9, half range 3 cores, 1 %% seeing scatter, 0.5 %% measuring\n");
  struct Case {
    double focal_ratio, obstruction;
  };
  for (const Case& c : {Case{2, 0.4}, Case{4, 0.0}, Case{6, 0.0}, Case{8, 0.0}}) {
    const std::vector<Telescope> one{telescope(c.focal_ratio, c.obstruction, true, 0)};
    Setting s{.n = 9, .seeing_scatter = 0.01, .measuring = 0.005};
    char label[100];
    std::snprintf(label, sizeof label, "f/%.0f, obstruction %.1f", c.focal_ratio, c.obstruction);
    run_cell(one, s, trials, random).print(label);
  }
  std::printf("\n");
}

}  // namespace starwaist::bench::coverage
