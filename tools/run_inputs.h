// Inputs that are several runs: what plan and backlash read.
#pragma once

#include <string>
#include <vector>

#include "command.h"

namespace starwaist::tool {

// Fits each run of the inputs (runs_of), in the order given; a table with a column `run` gives as
// many as it names. A run with no usable point is an answer too. Errors: those of fit_run.
Result<std::vector<RunFit>> fit_runs(const std::vector<std::string>& inputs,
                                     const RunOptions& options);

// Every file that the inputs hold: what no output may replace.
std::vector<std::string> protected_paths_of(const std::vector<std::string>& inputs,
                                            const TableOptions& table);

}  // namespace starwaist::tool
