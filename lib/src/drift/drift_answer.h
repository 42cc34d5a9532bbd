// Stage: the answer, without verdict and notes.
//
// In: the runs as given, why some were left out, the model. Out: slope, offsets, rates,
// predictions, the runs that do not count, and the points of a figure.
#pragma once

#include <cstddef>
#include <map>
#include <span>
#include <string>

#include "drift/drift_model.h"
#include "starwaist/drift.h"

namespace starwaist::drift {

struct AnswerInput {
  std::span<const DriftRun> runs;
  const std::map<std::size_t, Statement>& left_out;
  const DriftModel& model;
  const DriftOptions& options;
};

DriftFit make_answer(const AnswerInput& input);

}  // namespace starwaist::drift
