// Stage: the model of all runs.
//
// In: the runs as columns and which terms may be fitted. Out: the runs that count, the lag, and the
// posterior of the coefficients, mixed over every likely lag and set of good runs.
#pragma once

#include <Eigen/Dense>
#include <optional>

#include "drift/design.h"
#include "drift/lag.h"
#include "drift/line_posterior.h"
#include "drift/run_columns.h"
#include "starwaist/drift.h"

namespace starwaist::drift {

struct DriftModel {
  RunColumns runs;
  LagFit lag;                              // with the runs that are kept
  Design design;                           // of all rows, at the lag's temperatures
  std::optional<LinePosterior> posterior;  // absent: no slope

  [[nodiscard]] const Terms& terms() const { return lag.kept.terms; }
  [[nodiscard]] const std::vector<std::size_t>& used() const { return lag.kept.used; }
};

DriftModel fit_model(RunColumns runs, const DriftOptions& options);

// One coefficient by itself.
Contrast coefficient(const DriftModel& model, Eigen::Index column);

}  // namespace starwaist::drift
