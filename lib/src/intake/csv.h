// Tables as text: rows of cells with the lines they stand on.
//
// Private header of module intake.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "intake/csv_layout.h"
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
  Separator separator = Separator::comma;
  std::vector<CsvRow> rows;  // the header row first; blank lines and comments left out

  // A cell as a number; with another separator than the comma a decimal comma is allowed.
  [[nodiscard]] std::optional<double> number(const std::string& cell) const;
  // Why a row's cells cannot be matched with the headings, and what to do.
  [[nodiscard]] std::optional<std::string> misfit(const CsvRow& row) const;
};

// The whole file. Separators: comma, semicolon, tab or blanks (csv_layout.h). CRLF, a byte-order
// mark, titles, comments ('#') and quoted cells (RFC 4180) are read; lines that only rule off are
// left out. The messages begin with the name without its folder. Errors: not_found, unreadable,
// unsupported_format (no text, more rows than any table of runs has), bad_value (a quotation mark
// that is never closed), no_data (numbers without a header row).
Result<Csv> read_csv(const std::string& path, const TableOptions& options);

// The cells of the header row alone; empty where the file cannot be read as text.
std::vector<std::string> read_csv_header(const std::string& path, const TableOptions& options);

// That the numbers in these columns are written with one decimal mark and none for thousands: a
// point that stands for thousands beside decimal commas would give a wrong answer. `name`: of the
// file. Errors: bad_value, with the line.
Result<void> check_decimal_marks(const std::string& name, const Csv& csv,
                                 const std::vector<std::optional<std::size_t>>& columns);

// Where the columns stand: under the name that the user gave for them, their own name without case,
// or a usual heading.
class ColumnFinder {
 public:
  // The options are referred to, not copied.
  ColumnFinder(const std::vector<std::string>& header, const TableOptions& options);
  // `name`: as documented, in lower case.
  std::optional<std::size_t> find(const std::string& name);
  // Names that the user gave for columns that were looked for, and that the header does not have.
  [[nodiscard]] const std::vector<std::string>& missing() const { return missing_; }

 private:
  const std::vector<std::pair<std::string, std::string>>& given_;
  std::map<std::string, std::size_t> place_;          // by lower case
  std::map<std::string, std::size_t> compact_place_;  // by compact heading
  std::vector<std::string> missing_;
};

// "'position', 'hfr'", for messages; of a long header the beginning.
std::string listed(const std::vector<std::string>& header);

// The failure of a table that lacks columns which the user named. `missing` is not empty.
tl::unexpected<Error> lacks(const std::string& file, const std::vector<std::string>& missing,
                            const std::vector<std::string>& header);

}  // namespace starwaist::intake_detail
