#include <cmath>
#include <cstdio>
#include <vector>

#include "coverage/parts.h"
#include "coverage/tally.h"
#include "coverage/telescopes.h"
#include "coverage/trial.h"

namespace starwaist::bench::coverage {

Claims outliers(int trials, std::mt19937_64& random) {
  Claims claims;
  std::printf(
      "outliers (3 %% seeing, 1 %% measuring); cost is rms over the clean rms of the same n\n");
  const auto& telescopes = telescopes_with(0);
  struct Case {
    int n, count;
    bool larger;
    double low, high;
    double asked;  // 0: nothing
  };
  for (const Case& c :
       {Case{9, 1, true, 5, 30, 1.3}, Case{11, 2, true, 5, 30, 1.5}, Case{9, 1, false, 5, 30, 1.4},
        Case{11, 2, false, 5, 30, 1.8}, Case{9, 1, true, 12, 40, 1.15},
        Case{11, 2, true, 12, 40, 1.25}, Case{9, 1, false, 12, 40, 1.15},
        Case{11, 2, false, 12, 40, 1.25}, Case{7, 1, true, 5, 30, 0}}) {
    Setting s{.n = c.n};
    s.measuring = 0.01;
    // A few of a thousand runs have a quarter of the squares: it takes many to see them.
    const Tally clean = run_cell(telescopes, s, 30 * trials, random);
    s.outliers = c.count;
    s.only_larger = c.larger;
    s.outlier_low = c.low;
    s.outlier_high = c.high;
    const Tally with = run_cell(telescopes, s, 30 * trials, random);
    const double cost = with.rms_over_fisher() / clean.rms_over_fisher();
    char label[100];
    std::snprintf(label, sizeof label, "%d in %d, %s, %.0f-%.0f sigma: cost %.2f", c.count, c.n,
                  c.larger ? "larger" : "either sign", c.low, c.high, cost);
    with.print(label);
    const auto oracle_cost = [&](double squares) { return std::sqrt(squares / with.of_oracles); };
    std::printf(
        "    least possible cost: told which %.2f, told how many and the noise %.2f, told neither "
        "%.2f\n",
        oracle_cost(with.told_squares), oracle_cost(with.number_squares),
        oracle_cost(with.learning_squares));
    if (c.asked > 0) {
      claims.push_back({label, 0, c.asked, cost});
      claims.push_back(
          {"  its 95 % interval covers (%)", 92, 100, 100.0 * with.within_95 / with.trials});
    }
  }
  std::printf("\n");
  return claims;
}

}  // namespace starwaist::bench::coverage
