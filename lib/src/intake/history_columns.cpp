#include "intake/history_columns.h"

#include "core/clock.h"

namespace starwaist::intake_detail {
namespace {

std::optional<std::string> text_or_absent(const std::string& text) {
  if (text.empty()) return std::nullopt;
  return text;
}

}  // namespace

HistoryColumns history_columns(const std::vector<std::string>& header,
                               const TableOptions& options) {
  ColumnFinder finder(header, options);
  const auto find = [&](const char* usual, const char* with_unit) {
    const auto found = finder.find(usual);
    return found ? found : finder.find(with_unit);
  };
  HistoryColumns columns;
  columns.position = find("position", "best_focus_steps");
  if (!columns.position) columns.position = finder.find("position_steps");
  columns.temperature = find("temperature", "temperature_c");
  columns.sigma = find("sigma", "sigma_steps");
  columns.filter = finder.find("filter");
  columns.time = find("time", "time_utc");
  columns.altitude = find("altitude", "altitude_deg");
  columns.verdict = finder.find("verdict");
  columns.rig = finder.find("rig");
  for (const char* size : {"hfr", "hfd", "fwhm"}) {
    columns.has_sizes = columns.has_sizes || finder.find(size).has_value();
  }
  columns.missing = finder.missing();
  return columns;
}

RunFacts run_facts(const Csv& csv, const CsvRow& row, const HistoryColumns& columns) {
  RunFacts facts;
  facts.time_utc = core::utc_text(row.cell(columns.time));
  facts.filter = text_or_absent(row.cell(columns.filter));
  facts.altitude_deg = csv.number(row.cell(columns.altitude));
  facts.temperature_c = csv.number(row.cell(columns.temperature));
  return facts;
}

}  // namespace starwaist::intake_detail
