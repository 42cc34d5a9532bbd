#include "coverage/claims.h"

#include <cstdio>

namespace starwaist::bench::coverage {

void print(const Claims& claims) {
  std::printf("\n%-62s %8s %8s %9s\n", "asked of the fit", "from", "to", "got");
  for (const Claim& c : claims) {
    std::printf("%-62s %8.2f %8.2f %9.2f  %s\n", c.what.c_str(), c.low, c.high, c.got,
                c.got >= c.low && c.got <= c.high ? "yes" : "NO");
  }
}

}  // namespace starwaist::bench::coverage
