// What is asked of the fit, and what was reached.
#pragma once

#include <string>
#include <vector>

namespace starwaist::bench::coverage {

struct Claim {
  std::string what;
  double low;
  double high;
  double got;
};

using Claims = std::vector<Claim>;

void print(const Claims& claims);

}  // namespace starwaist::bench::coverage
