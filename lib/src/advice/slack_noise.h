// The points' weights in the joint curve, as its deviations show the noise.
//
// In: the data with their weights so far and a fit. Out: new weights.
#pragma once

#include <vector>

#include "advice/slack_search.h"
#include "advice/sweep_data.h"

namespace starwaist::advice {

// Best focus, size, slope, drift and width are free; those with a prior take about one more.
inline constexpr double kFittedOfSlack = 6;

// Equal relative errors, before any fit.
std::vector<double> first_weights(const JointSamples& samples);

// By the points' own errors and the seeing's scatter, learnt from the points that are not far off.
std::vector<double> learnt_weights(const SweepData& data, const SlackModel& model,
                                   const GridPoint& best);

// The weights so far, 0 for the points that do not fit the others.
struct Rejection {
  std::vector<double> weights;
  int rejected = 0;
};
Rejection reject_bad_points(const JointSamples& samples, const SlackModel& model,
                            const GridPoint& best);

}  // namespace starwaist::advice
