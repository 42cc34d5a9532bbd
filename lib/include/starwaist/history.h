// Runs that were judged before: tables of finished runs and the answers of other commands.
//
// Module: intake.
#pragma once

#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/intake.h"
#include "starwaist/ledger.h"
#include "starwaist/statement.h"

namespace starwaist {

// A table of finished runs, one a row: columns `position` (or best_focus_steps), `temperature`,
// and where present `sigma`, `filter`, `time`, `altitude`, `verdict`, `rig`, also with their units
// (temperature_c, time_utc, ...). Separators and decimal commas as in read_run_table; --column
// names go first.
struct HistoryTable {
  std::vector<LedgerRun> runs;
  std::vector<int> rows;  // data row of each run, from 1
  std::vector<SkippedFile> skipped;
  std::vector<Statement> notes;
};

// Errors: not_found, unreadable, no_data (no position or no temperature column, no good row).
Result<HistoryTable> read_history_table(const std::string& path, const TableOptions& options = {});

// Answers from `starwaist fit` or `diagnose` with --json (one object, or one a line), or a ledger's
// export. `rig`: name that the runs get where an answer does not give one. Errors: not_found,
// unreadable, bad_value (no JSON), no_data (no such answer in it).
Result<std::vector<LedgerRun>> read_answers(const std::string& path, const std::string& rig);

}  // namespace starwaist
