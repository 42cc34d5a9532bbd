#include "intake/csv.h"

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string_view>
#include <utility>

#include "starwaist/numbers.h"

namespace starwaist::intake_detail {
namespace {

constexpr std::uintmax_t kLargestTable = 256U
                                         << 20U;  // bytes; a season of runs is a hundredth of it

// Splits RFC 4180 text: quoted cells may hold separators, line breaks and doubled quotes.
// Errors: bad_value for a quote that is never closed, which would swallow the rows behind it.
Result<std::vector<CsvRow>> split_rows(const std::string& name, std::string_view text,
                                       char separator) {
  std::vector<CsvRow> rows;
  CsvRow row{1, {}};
  std::string cell;
  bool quoted = false;
  bool was_quoted = false;
  int line = 1;
  int quote_line = 0;
  const auto end_cell = [&] {
    row.cells.push_back(was_quoted ? cell : std::string(trimmed(cell)));
    cell.clear();
    was_quoted = false;
  };
  const auto end_row = [&] {
    end_cell();
    const bool blank = row.cells.size() == 1 && row.cells.front().empty();
    if (!blank) rows.push_back(std::move(row));
    row = CsvRow{line + 1, {}};
  };
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    if (quoted) {
      if (c == '"' && i + 1 < text.size() && text[i + 1] == '"') {
        cell += '"';
        ++i;
      } else if (c == '"') {
        quoted = false;
      } else {
        if (c == '\n') ++line;
        cell += c;
      }
      continue;
    }
    if (c == '"' && trimmed(cell).empty()) {
      cell.clear();
      quoted = true;
      was_quoted = true;
      quote_line = line;
    } else if (c == separator) {
      end_cell();
    } else if (c == '\n' || c == '\r') {
      if (c == '\r' && i + 1 < text.size() && text[i + 1] == '\n') ++i;
      end_row();
      ++line;
    } else if (!was_quoted || c != ' ') {
      cell += c;
    }
  }
  if (quoted) {
    return fail(ErrorCode::bad_value,
                name + " line " + std::to_string(quote_line) +
                    ": a quotation mark opened there is never closed",
                "Close or remove it");
  }
  if (!cell.empty() || !row.cells.empty()) end_row();
  return rows;
}

// The separator that the header row has most of, outside quotes.
char separator_of(std::string_view text) {
  text.remove_prefix(std::min(text.find_first_not_of("\r\n"), text.size()));
  const std::string_view header = text.substr(0, text.find_first_of("\r\n"));
  std::array<std::pair<char, int>, 3> counts{{{';', 0}, {'\t', 0}, {',', 0}}};
  bool quoted = false;
  for (const char c : header) {
    if (c == '"') quoted = !quoted;
    for (auto& [separator, count] : counts) count += !quoted && c == separator ? 1 : 0;
  }
  return std::max_element(counts.begin(), counts.end(),
                          [](const auto& a, const auto& b) { return a.second < b.second; })
      ->first;
}

constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";

Result<std::string> read_text(const std::string& path, const std::string& name) {
  std::error_code error;
  const auto bytes = std::filesystem::file_size(path, error);
  if (error) {
    return fail(std::filesystem::exists(path) ? ErrorCode::unreadable : ErrorCode::not_found,
                name + ": the table cannot be opened", "Check its name and rights");
  }
  if (bytes > kLargestTable) {
    return fail(ErrorCode::unsupported_format, name + ": larger than 256 MiB is no table of a run",
                "Name the CSV file");
  }
  std::ifstream in(path, std::ios::binary);
  std::string text{std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
  if (!in && !in.eof()) {
    return fail(ErrorCode::unreadable, name + ": the table cannot be read", "Check its rights");
  }
  if (text.find('\0') != std::string::npos) {
    return fail(ErrorCode::unsupported_format, name + ": this is no text (a zero byte in it)",
                "Save the table as CSV in UTF-8");
  }
  if (text.compare(0, kByteOrderMark.size(), kByteOrderMark) == 0) {
    text.erase(0, kByteOrderMark.size());
  }
  return text;
}

}  // namespace

std::optional<double> Csv::number(const std::string& cell) const {
  return separator == ',' ? parse_number(cell) : parse_number_decimal_comma(cell);
}

Result<Csv> read_csv(const std::string& path) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto text = read_text(path, name);
  if (!text) return tl::unexpected<Error>(text.error());
  Csv csv;
  csv.separator = separator_of(*text);
  auto rows = split_rows(name, *text, csv.separator);
  if (!rows) return tl::unexpected<Error>(rows.error());
  csv.rows = std::move(*rows);
  return csv;
}

std::vector<std::string> read_csv_header(const std::string& path) {
  constexpr std::size_t kLongestHeader = 1U << 16U;  // bytes
  std::string text(kLongestHeader, '\0');
  std::ifstream in(path, std::ios::binary);
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(std::max<std::streamsize>(in.gcount(), 0)));
  if (text.compare(0, kByteOrderMark.size(), kByteOrderMark) == 0) {
    text.erase(0, kByteOrderMark.size());
  }
  if (text.find('\0') != std::string::npos) return {};
  text.erase(0, text.find_first_not_of("\r\n"));  // blank lines may stand before the header
  const std::string header = text.substr(0, text.find_first_of("\r\n"));
  const auto rows = split_rows(path, header, separator_of(header));
  return rows && !rows->empty() ? rows->front().cells : std::vector<std::string>();
}

ColumnFinder::ColumnFinder(const std::vector<std::string>& header, const TableOptions& options)
    : given_(options.columns) {
  for (std::size_t i = 0; i < header.size(); ++i) place_.try_emplace(lower_case(header[i]), i);
}

std::optional<std::size_t> ColumnFinder::find(const std::string& name) {
  for (const auto& [column_name, given] : given_) {
    if (lower_case(column_name) != name) continue;
    const auto found = place_.find(lower_case(given));
    if (found != place_.end()) return found->second;
    missing_ = given;
  }
  const auto found = place_.find(name);
  if (found == place_.end()) return std::nullopt;
  return found->second;
}

std::string listed(const std::vector<std::string>& header) {
  std::string names;
  for (const std::string& name : header) names += (names.empty() ? "" : ", ") + ("'" + name + "'");
  return names;
}

}  // namespace starwaist::intake_detail
