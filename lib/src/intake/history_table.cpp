#include <filesystem>
#include <utility>

#include "intake/csv.h"
#include "intake/history_columns.h"
#include "starwaist/codes.h"
#include "starwaist/history.h"
#include "starwaist/numbers.h"

namespace starwaist {

using intake_detail::Csv;
using intake_detail::CsvRow;
using intake_detail::HistoryColumns;

namespace {

Result<HistoryColumns> find_history_columns(const std::string& file,
                                            const std::vector<std::string>& header,
                                            const TableOptions& options) {
  auto columns = intake_detail::history_columns(header, options);
  if (!columns.missing.empty()) return intake_detail::lacks(file, columns.missing, header);
  std::string what;
  std::string remedy;
  for (const auto& [column, word] :
       {std::pair{columns.position, "position"}, std::pair{columns.temperature, "temperature"}}) {
    if (column) continue;
    what += (what.empty() ? ": there is no column '" : " and none '") + std::string(word) + "'";
    remedy += std::string(" --column ") + word + "=NAME";
  }
  if (what.empty()) return columns;
  return fail(
      ErrorCode::no_data, file + what,
      "Name what is missing with" + remedy + "; the table has " + intake_detail::listed(header));
}

struct HistoryRow {
  LedgerRun run;
  bool odd_sigma = false;  // it holds one that is not a positive number
  bool odd_time = false;   // it holds a time that cannot be read
};

// The error says why the row cannot serve.
tl::expected<HistoryRow, Statement> read_history_row(const HistoryColumns& columns,
                                                     const CsvRow& row, const Csv& csv) {
  const auto unusable = [](const char* code, const std::string& why) {
    return tl::unexpected<Statement>({code, why});
  };
  if (const auto misfit = csv.misfit(row)) return unusable(codes::row_misfits, *misfit);
  const std::string position = row.cell(columns.position);
  const std::string temperature = row.cell(columns.temperature);
  const std::string sigma = row.cell(columns.sigma);
  const auto verdict = enum_from_name<Verdict>(lower_case(row.cell(columns.verdict)));
  RunFacts facts = intake_detail::run_facts(csv, row, columns);
  HistoryRow read;
  LedgerRun& run = read.run;
  run.best_focus_steps = csv.number(position);
  // An export has rows of runs that found no best focus.
  if (!run.best_focus_steps && !(position.empty() && verdict == Verdict::unusable)) {
    return unusable(codes::value_not_understood,
                    "position '" + position + "' is not a number. Correct or delete the row");
  }
  if (!facts.temperature_c && !temperature.empty()) {
    return unusable(
        codes::value_not_understood,
        "temperature '" + temperature + "' is not a number. Correct it or leave it empty");
  }
  run.sigma_steps = csv.number(sigma);
  if (run.sigma_steps && !(*run.sigma_steps > 0)) run.sigma_steps.reset();
  read.odd_sigma = !sigma.empty() && !run.sigma_steps;
  read.odd_time = !facts.time_utc && !row.cell(columns.time).empty();
  run.temperature_c = facts.temperature_c;
  run.filter = std::move(facts.filter);
  run.time_utc = std::move(facts.time_utc);
  run.altitude_deg = facts.altitude_deg;
  run.verdict = verdict;
  run.rig = row.cell(columns.rig);
  return read;
}

}  // namespace

Result<HistoryTable> read_history_table(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto csv = intake_detail::read_csv(path, options);
  if (!csv) return tl::unexpected<Error>(csv.error());
  const std::vector<CsvRow>& rows = csv->rows;
  if (rows.empty()) {
    return fail(ErrorCode::no_data, name + ": the table is empty",
                "It needs a header row with 'position' and 'temperature'");
  }
  const auto columns = find_history_columns(name, rows.front().cells, options);
  if (!columns) return tl::unexpected<Error>(columns.error());
  if (auto marks = intake_detail::check_decimal_marks(
          name, *csv, {columns->position, columns->temperature, columns->sigma, columns->altitude});
      !marks) {
    return tl::unexpected<Error>(marks.error());
  }
  HistoryTable table;
  int odd_sigmas = 0;
  int odd_times = 0;
  for (std::size_t k = 1; k < rows.size(); ++k) {
    auto row = read_history_row(*columns, rows[k], *csv);
    if (!row) {
      table.skipped.push_back({name + " line " + std::to_string(rows[k].line), row.error()});
      continue;
    }
    odd_sigmas += row->odd_sigma ? 1 : 0;
    odd_times += row->odd_time ? 1 : 0;
    row->run.source = name + " row " + std::to_string(k);
    table.runs.push_back(std::move(row->run));
    table.rows.push_back(static_cast<int>(k));
  }
  if (odd_sigmas > 0) {
    table.notes.push_back(
        {codes::sigma_not_positive,
         std::to_string(odd_sigmas) +
             " rows have a sigma that is not a positive number: it counts as unknown"});
  }
  if (odd_times > 0) {
    table.notes.push_back(
        {codes::time_not_understood,
         std::to_string(odd_times) +
             " rows have a time that is not like 2027-02-03T20:11:05: it counts as "
             "unknown"});
  }
  if (table.runs.empty()) {
    return fail(ErrorCode::no_data, name + ": no row holds a position and a temperature",
                "Check the columns; the table has " + intake_detail::listed(rows.front().cells));
  }
  return table;
}

}  // namespace starwaist
