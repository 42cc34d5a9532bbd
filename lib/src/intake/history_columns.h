// The columns that say something of a run as a whole.
//
// Private header of module intake.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "intake/csv.h"
#include "starwaist/intake.h"

namespace starwaist::intake_detail {

// The columns of a history by all their names.
struct HistoryColumns {
  std::optional<std::size_t> position;
  std::optional<std::size_t> temperature;
  std::optional<std::size_t> sigma;
  std::optional<std::size_t> filter;
  std::optional<std::size_t> time;
  std::optional<std::size_t> altitude;
  std::optional<std::size_t> verdict;
  std::optional<std::size_t> rig;
  // Names that the user gave and the header does not have.
  std::vector<std::string> missing;
};

HistoryColumns history_columns(const std::vector<std::string>& header, const TableOptions& options);

// What a row says of its run.
RunFacts run_facts(const Csv& csv, const CsvRow& row, const HistoryColumns& columns);

}  // namespace starwaist::intake_detail
