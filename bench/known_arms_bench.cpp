// A few points of real sweeps, answered by what the other sweeps of the telescope tell.
//
// Usage: known_arms_bench TABLE.csv [STRIDE]. The table has the columns run, telescope, position
// and hfr or fwhm. Of every trusted sweep (every STRIDEth) the 2, 3 and 4 points at one end are
// kept and answered by the others (leave one out). Printed by telescope, end and number of points:
// how many are answered, in how many of those that need the others the 95 % interval holds the
// whole sweep's best focus (its own sigma added in quadrature), the robust scatter of the
// difference in steps and over its sigma, its median.
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "starwaist/statistics.h"
#include "support/held_back.h"

namespace {

void print_end(const std::string& telescope, const char* end, std::size_t kept,
               const starwaist::held_back::Count& count) {
  if (count.by_others == 0) return;
  std::vector<double> over_sigma;
  for (std::size_t i = 0; i < count.errors_steps.size(); ++i) {
    over_sigma.push_back(count.errors_steps[i] / count.sigmas_steps[i]);
  }
  std::printf("%-9s  %-5s %6zu %6d %9d %10d %10.1f %8.3f %11.2f %+7.3f\n", telescope.c_str(), end,
              kept, count.tried, count.answered, count.by_others,
              100.0 * count.covered / count.by_others, starwaist::robust_sigma(count.errors_steps),
              starwaist::robust_sigma(over_sigma), starwaist::median(count.errors_steps));
}

}  // namespace

int main(int argc, char** argv) {
  using namespace starwaist;
  if (argc < 2) {
    std::fprintf(stderr, "usage: %s TABLE.csv [STRIDE]\n", argv[0]);
    return 2;
  }
  const auto sweeps = held_back::trusted_sweeps(argv[1]);
  if (!sweeps) {
    std::fprintf(stderr, "%s\n", sweeps.error().text().c_str());
    return 3;
  }
  const std::size_t stride = argc > 2 ? std::strtoul(argv[2], nullptr, 10) : 1;
  std::printf(
      "telescope  end   points  tried  answered  by others  covered %%  scatter  over sigma  "
      "median\n");
  for (const auto& [telescope, of_one] : *sweeps) {
    for (const std::size_t kept : {2U, 3U, 4U}) {
      const auto small = held_back::answer_by_others(of_one, kept, true, stride);
      const auto large = held_back::answer_by_others(of_one, kept, false, stride);
      print_end(telescope, "small", kept, small);
      print_end(telescope, "large", kept, large);
      if (kept > 3) continue;  // the ends of seven points share one
      const auto agreement = held_back::agreement_of(small, large);
      if (agreement.both == 0) continue;
      std::printf("%-9s  both  %6zu: %d answered at both ends, agree %.1f %%, over sigma %.2f\n",
                  telescope.c_str(), kept, agreement.both, 100.0 * agreement.agree / agreement.both,
                  starwaist::robust_sigma(agreement.over_sigma));
    }
  }
  return 0;
}
