// The noise of a run, from the deviations of points from their curve.
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

struct ObservedNoise {
  double measuring = 0.01;  // of one size, relative
  double seeing = 0.03;     // of the seeing's width from frame to frame, relative
};

// ln of how likely a noise is before any run is seen, up to a constant: a factor of
// curve::kUsualNoiseFactor from the usual is one standard deviation.
double log_usual(double value, double usual);

// `degrees`: number of deviations less the parameters fitted. Weighed with what is usual
// (curve/priors.h), as far as the deviations leave the noise open.
ObservedNoise observed_noise(const std::vector<Deviation>& deviations, double degrees);

}  // namespace starwaist::advice
