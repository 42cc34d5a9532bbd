#include "ledger/rows.h"

#include <algorithm>
#include <string>
#include <vector>

namespace starwaist::ledger {

namespace {

std::vector<std::string> split_lines(const std::string& text) {
  std::vector<std::string> lines;
  std::size_t begin = 0;
  while (begin < text.size()) {
    const std::size_t end = std::min(text.find('\n', begin), text.size());
    lines.push_back(text.substr(begin, end - begin));
    begin = end + 1;
  }
  return lines;
}

}  // namespace

LedgerRun run_of(const Statement& row) {
  LedgerRun run;
  run.id = row.integer(0);
  run.rig = row.text(1);
  run.time_utc = row.optional_text(2);
  run.filter = row.optional_text(3);
  run.temperature_c = row.number(4);
  run.altitude_deg = row.number(5);
  run.best_focus_steps = row.number(6);
  run.sigma_steps = row.number(7);
  run.interval_95_steps = {row.number(8), row.number(9)};
  run.verdict = enum_from_name<Verdict>(row.text(10));
  run.source = row.text(11);
  run.from_utc = row.optional_text(12);
  run.until_utc = row.optional_text(13);
  run.note = row.optional_text(14);
  run.reasons = split_lines(row.text(15));
  run.findings = split_lines(row.text(16));
  return run;
}

LedgerPoint point_of(const Statement& row) {
  LedgerPoint point;
  point.file = row.text(0);
  point.position_steps = row.number(1).value_or(0);
  point.size_px = row.number(2);
  point.sigma_px = row.number(3);
  point.temperature_c = row.number(4);
  point.used = row.integer(5) != 0;
  return point;
}

}  // namespace starwaist::ledger
