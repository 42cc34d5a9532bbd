// What the sweeps say of the width of the slack: a posterior on a grid of widths and hypotheses.
//
// In: the data and what every fit assumes. Out: the weighted grid.
#pragma once

#include <optional>
#include <vector>

#include "advice/slack_search.h"
#include "advice/sweep_data.h"
#include "starwaist/rig.h"

namespace starwaist::advice {

struct SlackPosterior {
  std::vector<GridPoint> points;  // their weights sum to 1
  std::vector<PlayHypothesis> hypotheses;
  std::vector<double> point_weights;  // of the samples in the joint curve; 0: rejected
  double step = 1;                    // from width to width
  double variance = 1;                // of the residuals in units of the noise assumed
  int rejected = 0;
  bool open_above = false;  // the widest slack that the sweeps could show is among the likely ones

  // Width below which the share q of the posterior lies.
  [[nodiscard]] double quantile(double q) const;
  // Share of the grid points with a property.
  template <class Property>
  [[nodiscard]] double share(const Property& property) const {
    double sum = 0;
    for (const GridPoint& g : points) sum += property(g) ? g.weight : 0.0;
    return sum;
  }
};

// Widths from a little below 0, so that sweeps that disagree the wrong way show, up to the whole
// range. `drift_sigma`: prior of best focus's drift over all frames, scaled.
SlackModel slack_model(const SweepData& data, const Rig& rig, double drift_sigma);

// Of a run in one direction: how much of a slack no record had taken up; no drift.
SlackModel takeup_model(const SweepData& data, const Rig& rig);

// Absent where no curve fits the points.
std::optional<SlackPosterior> estimate_slack(const SweepData& data, const SlackModel& model);

}  // namespace starwaist::advice
