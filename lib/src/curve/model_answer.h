// What one model says: its fit by the heaviest hypothesis, and its distribution of best focus over
// all of them.
#pragma once

#include <vector>

#include "curve/curve_samples.h"
#include "curve/focus_distribution.h"
#include "curve/outliers.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

inline constexpr int kModelParameters = 3;  // of every model that is weighed

struct ModelAnswer {
  ModelFit fit;
  std::vector<Component> parts;  // of this model; weights sum to 1
  double log_evidence = 0;       // of the model, see Likelihood in model_answer.cpp
  double share = 0;              // of a shape among the shapes
  bool fitted = false;
};

// The shape number `shape` of the hypotheses; where they have none of it (too improbable), the
// others' points fitted by it, with no share in the answer.
ModelAnswer answer_shape(CurveModel model, ShapeFitters& fitters, std::size_t shape,
                         const Samples& samples, const std::vector<Hypothesis>& hypotheses);

ModelAnswer answer_parabola(const Samples& samples, const std::vector<Hypothesis>& hypotheses);

}  // namespace starwaist::curve
