// The noise of a night, from the deviations of points from their curve.
#pragma once

#include <optional>
#include <vector>

namespace starwaist::advice {

// A point's deviation from its curve, relative to the size.
struct Deviation {
  double relative = 0;
  std::optional<double> own_sigma;  // its standard error, relative
  double seeing_share = 1;          // d ln size / d ln seeing there
};

struct NoiseFacts {
  double measuring = 0.01;
  double seeing = 0.03;
};

// `degrees`: number of deviations less the parameters fitted. Weighed with what is usual: seeing
// scatter 3 %, measuring error 1.5 % where no point has its own, each a factor of two either way.
NoiseFacts noise_of(const std::vector<Deviation>& deviations, double degrees);

}  // namespace starwaist::advice
