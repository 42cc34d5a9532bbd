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

}  // namespace starwaist::curve
