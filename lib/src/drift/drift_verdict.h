// Stage: whether the slope can be trusted.
//
// In: the model and the answer so far. Out: the verdict by DriftRules and every reason against
// trust.
#pragma once

#include <string>
#include <vector>

#include "drift/drift_model.h"
#include "starwaist/drift.h"
#include "starwaist/statement.h"

namespace starwaist::drift {

struct DriftVerdict {
  Verdict verdict = Verdict::unusable;
  std::vector<Statement> reasons;
};

DriftVerdict judge_drift(const DriftModel& model, const DriftResult& result,
                         const DriftOptions& options);

}  // namespace starwaist::drift
