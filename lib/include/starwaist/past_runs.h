// Runs of many nights: from folders, tables and answers to the ledger, and from there to drift.
//
// Module: run.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "starwaist/drift.h"
#include "starwaist/error.h"
#include "starwaist/ledger.h"
#include "starwaist/run.h"
#include "starwaist/statement.h"

namespace starwaist {

struct HistoryOptions {
  RunOptions run;
  std::string rig;  // name that the runs get where a table does not give one
};

// What each_past_run hands on: runs that belong together (one folder, one table, one file), and
// what was passed over on the way.
struct PastRuns {
  std::vector<LedgerRun> runs;
  std::vector<int> rows;  // data row of each in its table; else the count of runs so far
  std::vector<SkippedFile> skipped;
  std::vector<Statement> notes;
};

// Every run that the inputs hold, in order. A folder may be a run (frames or a table) and may hold
// folders that are, at any depth; frame files named together are one run; tables are one run of
// sizes, many with a column `run`, or a history; .json and .jsonl files are answers. Runs are
// measured and fitted one by one, and handed to `consume` as soon as they are there. Time, filter
// and altitude are those of the frame or row in the middle. What cannot be read is skipped and
// said. Errors: not_found, no_data where no run was found at all, interrupted, those of `consume`.
Result<void> each_past_run(const std::vector<std::string>& inputs, const HistoryOptions& options,
                           const std::function<Result<void>(const PastRuns&)>& consume);

// What drift makes of a run: unusable ones and those without a best focus are left out with the
// reason.
DriftRun drift_run(const LedgerRun& run, int row);

}  // namespace starwaist
