// Stage: how late focus follows the thermometer.
//
// In: the runs that were kept without a lag. Out: the weight of every lag that is looked at, the
// lag where the runs demand one, and the runs that are kept with it.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <optional>
#include <vector>

#include "drift/kept_runs.h"
#include "drift/run_columns.h"
#include "starwaist/interval.h"

namespace starwaist::drift {

struct Lag {
  double minutes = 0;  // 0: none
  double slope_steps_per_c = 0;
};

// The tube at one lag. The mean delay of the used rows is taken out, so that levels and predictions
// mean the same whatever the lag.
struct LaggedTube {
  Eigen::VectorXd temperature;
  Eigen::VectorXd sigma_squared;  // with that of the unknown start
  double usual_delay = 0;         // degrees
  double delay_variance = 0;
};

LaggedTube lagged_tube(const RunColumns& runs, const std::vector<std::size_t>& used,
                       const Lag& lag);

// Minutes, evenly on a logarithmic scale; the first is no lag. The weights sum to one.
struct LagWeights {
  std::vector<double> minutes = {0};
  std::vector<double> weights = {1};
  double slope_steps_per_c = 0;  // at the likeliest
};

struct LagFit {
  LagWeights lags;
  KeptRuns kept;
  Eigen::VectorXd temperature;    // of the tube at the likeliest lag; the air's without a lag
  std::optional<double> minutes;  // absent where the runs do not demand a lag
  Interval interval_95_minutes;
};

// A lag is looked for only in nights of several runs, taken close enough to each other to see it.
// It is demanded where the runs speak for it by nineteen to one, and taken where no more runs are
// set apart with it than without.
LagFit fit_lag(const RunColumns& runs, KeptRuns without_lag);

// No lag is looked for.
LagFit fit_without_lag(const RunColumns& runs, KeptRuns kept);

}  // namespace starwaist::drift
