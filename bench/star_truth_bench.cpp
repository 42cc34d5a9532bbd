// Monte Carlo of measure_frame against star images whose size is known: bias of the half-flux
// radius, scatter against the least that a growth curve can have, whether the stated sigmas are
// true, faint stars found, false stars, rings split, and what defects do.
//
// The star images come from closed forms and a Hankel transform here, not from the library's own
// renderer; that one is asked for a second opinion at the end.
//
// Usage: star_truth_bench [--trials frames a cell, 3] [--seed 1] [--quick] [--no-facts] [--only
// TEXT] [--optics]
//   --quick: a thinner grid, two frames a cell; --no-facts: gain and read noise are not given;
//   --only: nothing but the cells of the grid with TEXT in their name ("in focus", "25.0 ")
//   --optics: stars by wave optics instead (halo, vanes, one-shot colour, wide seeing)
#include <cstdio>
#include <random>

#include "star_truth/cells.h"
#include "star_truth/checks.h"
#include "star_truth/defects.h"
#include "star_truth/fields.h"
#include "star_truth/optics.h"
#include "star_truth/report.h"
#include "star_truth/settings.h"

int main(int argc, char** argv) {
  namespace bench = starwaist::bench::star_truth;
  const auto settings = bench::settings_from(argc, argv);
  if (!settings) {
    std::fprintf(
        stderr,
        "usage: star_truth_bench [--trials N] [--seed N] [--quick] [--no-facts] [--only TEXT] "
        "[--optics]\n");
    return 2;
  }
  std::mt19937_64 random(settings->seed);
  if (settings->optics) {
    bench::run_optics(*settings, random);
    return 0;
  }
  bench::check_profiles();
  bench::check_limit(random, settings->quick ? 1000 : 4000);
  const bench::Summary summary = bench::run_grid(*settings, random);
  if (settings->only.empty()) {
    bench::run_faint(*settings, random);
    bench::run_fields(*settings, random);
    bench::run_defects(*settings, random);
    bench::run_rendered();
  }
  bench::print_summary(summary);
  return 0;
}
