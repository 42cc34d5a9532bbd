// The points that are bad by the fit, and what is said of them.
#pragma once

#include <string>
#include <vector>

#include "curve/run_points.h"
#include "starwaist/curve.h"
#include "starwaist/statement.h"

namespace starwaist::curve {

struct Rejection {
  std::vector<CurvePoint> points;  // all; those that are bad are not used, and say why
  std::vector<bool> used;          // of the samples
  std::vector<Statement> notes;    // on points that may be bad
};

// `bad`: probability of each sample; empty where nothing is known. `result`: with its points.
Rejection reject_points(const RunPoints& run, const std::vector<double>& bad,
                        const FitResult& result);

// The interval goes by the scatter seen and not by the sigmas given: where they differ, says so.
std::vector<Statement> notes_on_sigmas(const FitResult& result);

}  // namespace starwaist::curve
