// CSV text: rows of cells with the lines they stand on.
//
// Private header of module intake.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/intake.h"

namespace starwaist::intake_detail {

struct CsvRow {
  int line = 0;
  std::vector<std::string> cells;

  // The text in a column; empty where there is no such column or the row is too short.
  [[nodiscard]] std::string cell(std::optional<std::size_t> column) const {
    return column && *column < cells.size() ? cells[*column] : std::string();
  }
};

struct Csv {
  char separator = ',';
  std::vector<CsvRow> rows;  // the header row first; blank lines left out

  // A cell as a number; with another separator than the comma a decimal comma is allowed.
  [[nodiscard]] std::optional<double> number(const std::string& cell) const;
};

// The whole file. Separators: comma, semicolon or tab, the one that the header row has most of.
// CRLF, a byte-order mark and quoted cells (RFC 4180) are read. The messages begin with the name
// without its folder. Errors: not_found, unreadable, unsupported_format (no text), bad_value (a
// quotation mark that is never closed).
Result<Csv> read_csv(const std::string& path);

// The cells of the header row alone; empty where the file cannot be read as text.
std::vector<std::string> read_csv_header(const std::string& path);

// Where the columns stand, by their names without case.
class ColumnFinder {
 public:
  // The options are referred to, not copied.
  ColumnFinder(const std::vector<std::string>& header, const TableOptions& options);
  // `name`: as documented, in lower case. A name that the user gave for it goes first.
  std::optional<std::size_t> find(const std::string& name);
  // A name that the user gave for a column that was looked for, and that the header does not have.
  [[nodiscard]] const std::optional<std::string>& missing() const { return missing_; }

 private:
  const std::vector<std::pair<std::string, std::string>>& given_;
  std::map<std::string, std::size_t> place_;
  std::optional<std::string> missing_;
};

// "'position', 'hfr'", for messages.
std::string listed(const std::vector<std::string>& header);

}  // namespace starwaist::intake_detail
