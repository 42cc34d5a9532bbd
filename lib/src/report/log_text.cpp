#include <algorithm>
#include <map>
#include <string>
#include <vector>

#include "report/answer_text.h"
#include "report/csv_cells.h"
#include "report/text_table.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist {

using report::Align;
using report::cell;

std::string log_csv(const std::vector<LedgerRun>& runs) {
  // The names that drift's tables have.
  std::string text =
      "id,rig,time,filter,temperature,altitude,position,sigma,interval_low,interval_high,verdict,"
      "source\r\n";
  for (const auto& run : runs) {
    text += cell(run.id) + "," + cell(run.rig) + "," + cell(run.time_utc) + "," + cell(run.filter) +
            "," + cell(run.temperature_c) + "," + cell(run.altitude_deg) + "," +
            cell(run.best_focus_steps) + "," + cell(run.sigma_steps) + "," +
            cell(run.interval_95_steps.low) + "," + cell(run.interval_95_steps.high) + "," +
            cell(run.verdict) + "," + cell(run.source) + "\r\n";
  }
  return text;
}

namespace {

// Why runs are not trusted, and what the user says of them.
std::string remarks_of_runs(const std::vector<LedgerRun>& runs, std::size_t width) {
  std::string text;
  for (const auto& run : runs) {
    const std::string number = "Run " + std::to_string(run.id) + ": ";
    const bool trusted = run.verdict == Verdict::trusted;
    if (!trusted && !run.reasons.empty()) {
      text += report::wrapped(number + report::printable(run.reasons.front()), "  ", width);
    }
    if (run.note) {
      text += report::wrapped(number + "note: " + report::printable(*run.note), "  ", width);
    }
  }
  return text.empty() ? text : "\n" + text;
}

}  // namespace

std::string log_table(const std::vector<LedgerRun>& runs, const TextOptions& options) {
  if (runs.empty()) return "No runs.\n";
  constexpr std::size_t kFilterWidth = 10;
  constexpr std::size_t kRigWidth = 14;
  std::vector<std::vector<std::string>> rows;
  rows.reserve(runs.size());
  std::map<std::string, int> verdicts;
  for (const auto& run : runs) {
    std::string time = report::printable(run.time_utc.value_or(""));
    std::replace(time.begin(), time.end(), 'T', ' ');
    time.resize(std::min<std::size_t>(time.size(), 16));  // minutes do
    const std::string verdict = run.verdict ? enum_name(*run.verdict) : "";
    ++verdicts[run.verdict ? verdict : "unknown"];
    rows.push_back({std::to_string(run.id), time,
                    report::shortened(report::printable(run.rig), kRigWidth),
                    report::shortened(report::printable(run.filter.value_or("")), kFilterWidth),
                    report::fixed_or_empty(run.temperature_c, 1),
                    report::fixed_or_empty(run.best_focus_steps, 1),
                    report::fixed_or_empty(run.sigma_steps, 1), verdict});
  }
  std::string text = report::count_words(runs.size(), "run", "runs");
  for (const auto& [verdict, count] : verdicts) {
    text += ", " + std::to_string(count) + " " + verdict;
  }
  // The list is the answer, not a detail of it.
  return report::wrapped(text, "", options.width) + "\n" +
         report::dashed_table({{"Run", ""},
                               {"Time (UTC)", "", Align::left},
                               {"Rig", "", Align::left, 4},
                               {"Filter", "", Align::left, 3},
                               {"Temp", "°C", Align::right, 5},
                               {"Focus", "steps"},
                               {"±", "steps", Align::right, 2},
                               {"Verdict", "", Align::left, 1}},
                              rows, options.width) +
         remarks_of_runs(runs, options.width);
}

std::string log_line(const LedgerRun& run) {
  std::string line = report::printable(run.source) + ": ";
  if (run.best_focus_steps) {
    line += format_like_sigma(*run.best_focus_steps, run.sigma_steps);
    if (run.sigma_steps) line += " ± " + format_like_sigma(*run.sigma_steps, run.sigma_steps);
    line += " steps";
  } else {
    line += "no best focus";
  }
  if (run.verdict) line += ", " + enum_name(*run.verdict);
  return line;
}

}  // namespace starwaist
