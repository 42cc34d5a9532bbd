// The noise of whole runs: how much they scatter about their curves, and how long the seeing stays.
#pragma once

#include <optional>
#include <vector>

#include "advice/information.h"

namespace starwaist::advice {

// A point's deviation from the curve fitted to its run.
struct RunResidual {
  double relative = 0;
  std::optional<double> own_sigma;  // its standard error, relative
  double time_s = 0;                // of the frame, from any moment
  SizeRow row;
};

struct RunNoise {
  double measuring = 0.01;  // of one size, relative
  double seeing = 0.03;     // of the seeing's width, relative
  double memory_s = 20;     // time in which the seeing of a frame is forgotten to 1 / e
};

// From the residuals of each run in the order taken, by their restricted likelihood: what the curve
// took up of the noise is counted, a slow change of the seeing above all. Weighed with what is
// usual (curve/priors.h) as far as they leave it open. `seeing_share`: d ln size / d ln seeing in
// focus. Of a run longer than some hundred points the first ones count.
RunNoise run_noise(const std::vector<std::vector<RunResidual>>& runs, double seeing_share);

}  // namespace starwaist::advice
