// What the verdict rests on, read off a run and its fit.
#pragma once

#include <vector>

#include "curve/run_points.h"
#include "curve/verdict.h"
#include "starwaist/curve.h"

namespace starwaist::curve {

// `used`: which samples the fit has kept.
VerdictFacts facts_of(const RunPoints& run, const std::vector<bool>& used, const FitResult& result,
                      const Rig& rig);

// Gives `result` the verdict, and its reasons, of these facts.
void judge_fit(const RunPoints& run, const std::vector<bool>& used, const Rig& rig,
               FitResult& result);

}  // namespace starwaist::curve
