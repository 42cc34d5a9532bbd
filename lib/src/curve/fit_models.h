// Every model fitted to a run's points, what the hypotheses say of each, and the one answer.
#pragma once

#include <optional>
#include <vector>

#include "curve/located.h"
#include "curve/model_answer.h"
#include "curve/run_points.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

struct FittedModels {
  std::vector<ModelAnswer> answers;
  std::vector<double> bad;  // probability of each sample to be bad; empty where nothing was fitted
};

// Where the points cannot carry a curve the answers hold no more than the models' names.
FittedModels fit_models(const RunPoints& run, const Rig& rig, const FitOptions& options);

struct CombinedAnswer {
  std::optional<CurveModel> chosen;  // the heaviest model
  FocusOfParts focus;                // over all models
};

CombinedAnswer combine(const Samples& samples, const std::vector<ModelAnswer>& answers,
                       const std::optional<double>& zone_steps);

}  // namespace starwaist::curve
