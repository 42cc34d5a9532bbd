// Stage: best focus predicted.
//
// In: the model and what is asked for. Out: predictions with their intervals.
#pragma once

#include <optional>
#include <vector>

#include "drift/drift_model.h"
#include "starwaist/drift.h"

namespace starwaist::drift {

// One for each query of the options; empty without a posterior, like the others here.
std::vector<DriftPrediction> predictions_asked(const DriftModel& model,
                                               const DriftOptions& options);

// Chance that a next run, at the last run's temperature, filter and altitude, lies in the zone;
// absent where the zone is not known.
std::optional<double> next_in_zone(const DriftModel& model, const DriftOptions& options);

// The reference filter over the range of temperatures, for a figure.
std::vector<DriftPrediction> prediction_band(const DriftModel& model, const DriftOptions& options);

}  // namespace starwaist::drift
