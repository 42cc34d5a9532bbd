// Runs by hand and their fit.
#pragma once

#include <gtest/gtest.h>

#include <vector>

#include "starwaist/drift.h"

namespace starwaist {

inline DriftRun run(int row, double position, double temperature) {
  DriftRun made;
  made.row = row;
  made.position_steps = position;
  made.temperature_c = temperature;
  return made;
}

inline DriftResult fitted(const std::vector<DriftRun>& runs, const DriftOptions& options = {}) {
  const auto fit = fit_drift(runs, options);
  EXPECT_TRUE(fit.has_value());
  return fit ? fit->result : DriftResult();
}

}  // namespace starwaist
