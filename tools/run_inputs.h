// Inputs that are several runs: what plan and backlash read.
#pragma once

#include <string>
#include <vector>

#include "command.h"

namespace starwaist::tool {

// Each folder and each table is a run of its own; loose frame files, with a table beside them that
// lists them, are one run together.
std::vector<std::vector<std::string>> runs_of(const std::vector<std::string>& inputs);

// Fits each run, in the order given; a table with a column `run` gives as many as it names. A run
// with no usable point is an answer too. Errors: those of fit_run.
Result<std::vector<RunFit>> fit_runs(const std::vector<std::string>& inputs,
                                     const RunOptions& options);

// Every file that the inputs hold: what no output may replace.
std::vector<std::string> protected_paths_of(const std::vector<std::string>& inputs,
                                            const TableOptions& table);

}  // namespace starwaist::tool
