// The slack in steps, its intervals and each sweep, from the posterior.
//
// In: the data, what the sweeps can show, the posterior. Out: the numbers of a BacklashResult, not
// yet judged.
#pragma once

#include <optional>

#include "advice/slack_posterior.h"
#include "advice/sweep_data.h"
#include "starwaist/backlash.h"

namespace starwaist::advice {

// What the sweeps can show, before any fit.
struct SweepFacts {
  int outward_points = 0;
  int inward_points = 0;
  bool drift_identified = false;          // three sweeps or more
  std::optional<double> half_zone_steps;  // of the critical focus zone
  double half_zone_scaled = 0;            // in half ranges; a part of the range where unknown

  [[nodiscard]] int fewest_in_direction() const {
    return outward_points < inward_points ? outward_points : inward_points;
  }
};
SweepFacts facts_of(const SweepData& data, const Rig& rig);

// Standard deviation of best focus's drift over all frames before the sweeps are seen, scaled.
double drift_prior(const SweepFacts& facts);

struct SlackAnswer {
  BacklashResult result;
  double core_steps = 0;   // B
  bool wrong_way = false;  // the whole interval lies below 0
};
SlackAnswer answer_slack(const SweepData& data, const SweepFacts& facts,
                         const SlackPosterior& posterior);

}  // namespace starwaist::advice
