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

// Names, and behind them the tables that are runs of their own in the folders among them and those
// inside: where no frame lies beside them.
std::vector<std::string> with_tables_within(std::vector<std::string> names,
                                            const TableOptions& table);

// One of the runs that the inputs hold (runs_of): what the user named and what that turned out to
// be.
struct FoundRun {
  std::vector<std::string> names;  // a folder, a table, or loose files
  Result<RunInput> input;          // an error is said when it is the run's turn
};

// The last part of an input's name, also before a slash at its end.
std::string name_of_run(const std::string& input);

// What plan and backlash read, found once.
Found<std::vector<FoundRun>> find_runs(const std::vector<std::string>& inputs,
                                       const TableOptions& table);

// Judges each run, in the order given; a table with a column `run` gives as many as it names. A
// run with no usable point is an answer too. Errors: those of finding the run and of judge_run.
Result<std::vector<RunAnswer>> judge_runs(const std::vector<FoundRun>& runs,
                                          const RunOptions& options);

}  // namespace starwaist::tool
