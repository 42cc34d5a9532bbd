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
  HistoryColumns columns;
  columns.position = finder.find("position");
  columns.temperature = finder.find("temperature");
  columns.sigma = finder.find("sigma");
  columns.filter = finder.find("filter");
  columns.time = finder.find("time");
  columns.altitude = finder.find("altitude");
  columns.verdict = finder.find("verdict");
  columns.rig = finder.find("rig");
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
