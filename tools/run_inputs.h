// Where the commands find what they read.
#pragma once

#include <string>
#include <vector>

#include "command.h"

namespace starwaist::tool {

// An input, and every file that it holds: what no output may replace.
template <class Input>
struct Found {
  Input input;
  std::vector<std::string> protected_paths;
};

// The one run that the options name. `also`: more that no output may replace; empty names are
// passed over. Errors: those of find_run_input.
Result<Found<RunInput>> find_run(const Settings& settings,
                                 const std::vector<std::string>& also = {});

// Inputs that are looked for later, and themselves need protection.
Found<std::vector<std::string>> named_inputs(const Settings& settings,
                                             const std::vector<std::string>& also = {});

// Fits each run of the inputs (runs_of), in the order given; a table with a column `run` gives as
// many as it names. A run with no usable point is an answer too. Errors: those of fit_run.
Result<std::vector<RunFit>> fit_runs(const std::vector<std::string>& inputs,
                                     const RunOptions& options);

// Inputs that are several runs, with `also` more of them: what plan and backlash read. One that
// cannot be found is named when it is read.
Found<std::vector<std::string>> find_runs(const Settings& settings,
                                          const std::vector<std::string>& also = {});

}  // namespace starwaist::tool
