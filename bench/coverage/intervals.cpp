#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdio>
#include <string>
#include <vector>

#include "coverage/parts.h"
#include "coverage/tally.h"
#include "coverage/telescopes.h"
#include "coverage/trial.h"

namespace starwaist::bench::coverage {

namespace {

struct Cell {
  double share = 0;  // of the trials inside the 95 % interval
  std::string name;
  double w040 = 0;
  Setting setting;
};

// Cells of one aberration and one number of points.
struct Row {
  Tally tally;
  std::vector<Cell> cells;
};

Row run_row(double w040, int n, int trials, std::mt19937_64& random, bool give_sigma) {
  Row row;
  for (const double seeing : {0.01, 0.03, 0.06}) {
    for (const double measuring : {0.005, 0.015, 0.03}) {
      const Setting s{
          .n = n, .seeing_scatter = seeing, .measuring = measuring, .give_sigma = give_sigma};
      const Tally cell = run_cell(telescopes_with(w040), s, trials, random);
      const double share = static_cast<double>(cell.within_95) / cell.trials;
      char label[100];
      std::snprintf(label, sizeof label, "  cell n %d W040 %.1f seeing %.0f %% meas. %.1f %%", n,
                    w040, 100 * seeing, 100 * measuring);
      row.cells.push_back({share, label, w040, s});
      if (share < 0.88 || share > 0.99) cell.print(label);
      row.tally.add(cell);
    }
  }
  char label[100];
  std::snprintf(label, sizeof label, "n = %d, W040 = %.1f waves", n, w040);
  row.tally.print(label);
  return row;
}

Claims report_pooled(int n, const Tally& pooled, const std::string& how) {
  pooled.print("pooled n = " + std::to_string(n));
  const std::string words = " n = " + std::to_string(n) + how;
  return {{"95 % interval covers (%)," + words, n == 5 ? 92.0 : 93.0, n == 5 ? 98.0 : 97.0,
           100.0 * pooled.within_95 / pooled.trials},
          {"68 % interval covers (%)," + words, 64, 72, 100.0 * pooled.within_68 / pooled.trials}};
}

// The lowest and highest of 45 cells are partly so by luck: the three of either kind are run
// again, with ten times as many trials, and the worst of those stands.
Claims run_extremes_again(std::vector<Cell> cells, int trials, std::mt19937_64& random,
                          const std::string& how) {
  std::sort(cells.begin(), cells.end(),
            [](const Cell& a, const Cell& b) { return a.share < b.share; });
  constexpr std::size_t kAgain = 3;
  const auto again = [&](const Cell& cell) {
    const Tally t = run_cell(telescopes_with(cell.w040), cell.setting, 10 * trials, random);
    const double share = static_cast<double>(t.within_95) / t.trials;
    std::printf("%s: %.1f %%, again %.2f +- %.2f %%\n", cell.name.c_str(), 100 * cell.share,
                100 * share, 100 * std::sqrt(share * (1 - share) / t.trials));
    return 100 * share;
  };
  double lowest = 100;
  double highest = 0;
  for (std::size_t i = 0; i < kAgain; ++i) {
    lowest = std::min(lowest, again(cells[i]));
    highest = std::max(highest, again(cells[cells.size() - 1 - i]));
  }
  std::printf("\n");
  return {{"lowest cell of 95 % (%)" + how, 88, 99, lowest},
          {"highest cell of 95 % (%)" + how, 88, 99, highest}};
}

}  // namespace

Claims intervals(int trials, std::mt19937_64& random, bool give_sigma) {
  std::printf("coverage, points %s their own sigma\n", give_sigma ? "with" : "without");
  const std::string how = give_sigma ? ", sigmas given" : ", no sigmas";
  std::vector<Tally> pooled(kCounts.size());
  Tally all;
  std::vector<Cell> cells;
  Claims claims;
  const auto append = [&claims](const Claims& more) {
    claims.insert(claims.end(), more.begin(), more.end());
  };
  for (const double w040 : {0.0, 0.5, 1.0}) {
    for (std::size_t k = 0; k < kCounts.size(); ++k) {
      const int n = kCounts[k];
      const Row row = run_row(w040, n, trials, random, give_sigma);
      cells.insert(cells.end(), row.cells.begin(), row.cells.end());
      if (w040 == 0) {
        claims.push_back({"rms over Fisher, no aberration, n = " + std::to_string(n) + how, 0,
                          n == 5 ? 1.35 : 1.15, row.tally.rms_over_fisher()});
      }
      pooled[k].add(row.tally);
      all.add(row.tally);
    }
  }
  for (std::size_t k = 0; k < kCounts.size(); ++k) {
    append(report_pooled(kCounts[k], pooled[k], how));
  }
  all.print("pooled");
  append(run_extremes_again(cells, trials, random, how));
  return claims;
}

}  // namespace starwaist::bench::coverage
