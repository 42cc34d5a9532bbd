// Monte Carlo of the fit on curves made by wave optics: do the intervals cover, how near is the
// error to the least possible, what do outliers cost, and is anything trusted that must not be.
//
// Usage: coverage_bench [trials a cell, 400] [seed, 1] [part: sigmas, nosigmas, outliers, trust,
// foreign, accuracy, rate; all]
// Ends with a table of what is asked of the fit and what it reached.
#include <cstdlib>
#include <random>
#include <string>

#include "coverage/claims.h"
#include "coverage/parts.h"

int main(int argc, char** argv) {
  namespace bench = starwaist::bench::coverage;
  const int trials = argc > 1 ? std::atoi(argv[1]) : 400;
  std::mt19937_64 random(argc > 2 ? static_cast<unsigned>(std::atoi(argv[2])) : 1U);
  const std::string part = argc > 3 ? argv[3] : "all";
  const auto wanted = [&part](const char* name) { return part == "all" || part == name; };
  bench::Claims claims;
  const auto append = [&claims](const bench::Claims& more) {
    claims.insert(claims.end(), more.begin(), more.end());
  };
  if (wanted("sigmas")) append(bench::intervals(trials, random, true));
  if (wanted("nosigmas")) append(bench::intervals(trials, random, false));
  if (wanted("outliers")) append(bench::outliers(trials, random));
  if (wanted("trust")) append(bench::false_trust(5 * trials, random));
  if (wanted("foreign")) bench::foreign(trials, random);
  if (wanted("accuracy")) bench::rendered_accuracy(trials, random);
  if (wanted("rate")) append(bench::rate(random));
  bench::print(claims);
  return 0;
}
