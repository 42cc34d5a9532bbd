#include <cstddef>
#include <cstdio>
#include <ctime>
#include <vector>

#include "coverage/parts.h"
#include "coverage/tally.h"
#include "coverage/telescopes.h"
#include "coverage/trial.h"
#include "starwaist/curve.h"

namespace starwaist::bench::coverage {

Claims rate(std::mt19937_64& random) {
  Claims claims;
  std::printf("complete answers a second of processor time, one core\n");
  const auto& telescopes = telescopes_with(0);
  for (const int n : kCounts) {
    for (const int bad : {0, 1}) {
      Setting s{.n = n};
      s.outliers = bad;
      std::vector<Trial> trials;
      trials.reserve(400);
      for (int i = 0; i < 400; ++i) {
        trials.push_back(
            make_trial(telescopes[static_cast<std::size_t>(i) % telescopes.size()], s, random));
      }
      const std::clock_t start = std::clock();
      double sum = 0;
      for (const Trial& trial : trials) {
        sum += fit_curve(trial.points, telescopes[0].rig)->best_focus_steps.value_or(0);
      }
      const double took = static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC;
      const double answers = static_cast<double>(trials.size()) / took;
      std::printf("n = %2d, outliers %d: %.0f (%.0f)\n", n, bad, answers, sum / 400);
      if (n == 9 && bad == 0) claims.push_back({"answers a second, n = 9", 3000, 1e9, answers});
      if (n == 15 && bad == 0) claims.push_back({"answers a second, n = 15", 1000, 1e9, answers});
    }
  }
  return claims;
}

}  // namespace starwaist::bench::coverage
