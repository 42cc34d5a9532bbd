#include <filesystem>
#include <utility>

#include "intake/csv.h"
#include "intake/history_columns.h"
#include "starwaist/history.h"
#include "starwaist/numbers.h"

namespace starwaist {

using intake_detail::CsvRow;
using intake_detail::HistoryColumns;

Result<HistoryTable> read_history_table(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto csv = intake_detail::read_csv(path);
  if (!csv) return tl::unexpected<Error>(csv.error());
  if (csv->rows.empty()) {
    return fail(ErrorCode::no_data, name + ": the table is empty",
                "It needs a header row with 'position' and 'temperature'");
  }
  const auto& header = csv->rows.front().cells;
  const HistoryColumns columns = intake_detail::history_columns(header, options);
  const std::string has = "the table has " + intake_detail::listed(header);
  if (columns.missing) {
    return fail(ErrorCode::no_data, name + ": there is no column '" + *columns.missing + "'",
                "T" + has.substr(1));
  }
  for (const auto& [column, word] :
       {std::pair{columns.position, "position"}, std::pair{columns.temperature, "temperature"}}) {
    if (!column) {
      return fail(ErrorCode::no_data, name + ": there is no column '" + word + "'",
                  std::string("Name it with --column ") + word + "=NAME; " + has);
    }
  }
  HistoryTable table;
  int odd_sigmas = 0;
  int odd_times = 0;
  for (std::size_t k = 1; k < csv->rows.size(); ++k) {
    const CsvRow& row = csv->rows[k];
    const std::string where = name + " line " + std::to_string(row.line);
    const auto position = csv->number(row.cell(columns.position));
    const std::string verdict = lower_case(row.cell(columns.verdict));
    // An export has rows of runs that found no best focus.
    if (!position && !(row.cell(columns.position).empty() && verdict == "unusable")) {
      table.skipped.push_back({where, "position '" + row.cell(columns.position) +
                                          "' is not a number. Correct or delete the row"});
      continue;
    }
    const std::string temperature = row.cell(columns.temperature);
    RunFacts facts = intake_detail::run_facts(*csv, row, columns);
    LedgerRun run;
    run.best_focus_steps = position;
    run.temperature_c = facts.temperature_c;
    if (!run.temperature_c && !temperature.empty()) {
      table.skipped.push_back({where, "temperature '" + temperature +
                                          "' is not a number. Correct it or leave it empty"});
      continue;
    }
    const std::string sigma = row.cell(columns.sigma);
    run.sigma_steps = csv->number(sigma);
    if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
    if (!sigma.empty() && !run.sigma_steps) ++odd_sigmas;
    run.filter = std::move(facts.filter);
    run.time_utc = std::move(facts.time_utc);
    if (!run.time_utc && !row.cell(columns.time).empty()) ++odd_times;
    run.altitude_deg = facts.altitude_deg;
    if (verdict == "trusted" || verdict == "doubtful" || verdict == "unusable") {
      run.verdict = verdict;
    }
    run.rig = row.cell(columns.rig);
    run.source = name + " row " + std::to_string(k);
    table.runs.push_back(std::move(run));
    table.rows.push_back(static_cast<int>(k));
  }
  if (odd_sigmas > 0) {
    table.notes.push_back(std::to_string(odd_sigmas) +
                          " rows have a sigma that is not a positive number: it counts as unknown");
  }
  if (odd_times > 0) {
    table.notes.push_back(std::to_string(odd_times) +
                          " rows have a time that is not like 2027-02-03T20:11:05: it counts as "
                          "unknown");
  }
  if (table.runs.empty()) {
    return fail(ErrorCode::no_data, name + ": no row holds a position and a temperature",
                "Check the columns; " + has);
  }
  return table;
}

}  // namespace starwaist
