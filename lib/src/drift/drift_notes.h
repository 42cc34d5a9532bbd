// Stage: remarks beside the answer.
//
// In: the runs as given, the model, the answer so far. Out: one sentence or two for each remark;
// none without a slope.
#pragma once

#include <span>
#include <string>
#include <vector>

#include "drift/drift_model.h"
#include "starwaist/drift.h"
#include "starwaist/statement.h"

namespace starwaist::drift {

struct NotesInput {
  std::span<const DriftRun> runs;
  const DriftModel& model;
  const DriftResult& result;
  const DriftOptions& options;
};

std::vector<Statement> make_notes(const NotesInput& input);

}  // namespace starwaist::drift
