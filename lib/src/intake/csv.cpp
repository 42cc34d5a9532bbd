#include "intake/csv.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <string_view>
#include <utility>

#include "intake/headings.h"
#include "starwaist/numbers.h"

namespace starwaist::intake_detail {
namespace {

constexpr std::uintmax_t kLargestTable = 256U << 20U;  // bytes; a season is a hundredth of it
constexpr std::ptrdiff_t kMostLines = 200000;          // some ten thousand runs
constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";

// The text in lines: a line break inside a quoted cell (RFC 4180) ends none.
// Errors: bad_value for a quote that is never closed, which would swallow the rows behind it.
class LineReader {
 public:
  LineReader(std::string_view text, std::size_t begin, int line)
      : text_(text), at_(begin), line_(line) {}
  [[nodiscard]] bool more() const { return at_ < text_.size(); }
  [[nodiscard]] int line() const { return line_; }

  // Absent where a quotation mark stays open.
  std::optional<std::string_view> next(char separator) {
    const std::size_t begin = at_;
    bool quoted = false;
    bool at_cell = true;  // only there a mark opens a quoted cell
    for (; at_ < text_.size(); ++at_) {
      const char c = text_[at_];
      if (quoted) {
        quoted = c != '"';
        breaks_ += c == '\n' ? 1 : 0;
      } else if (c == '\n' || c == '\r') {
        break;
      } else if (c == '"' && (at_cell || text_[at_ - 1] == '"')) {
        quoted = true;
        at_cell = false;
      } else {
        at_cell = c == separator || (at_cell && (c == ' ' || c == '\t'));
      }
    }
    if (quoted) return std::nullopt;
    const std::string_view line = text_.substr(begin, at_ - begin);
    at_ += text_.substr(at_, 2) == "\r\n" ? 2 : 1;
    return line;
  }
  void count_line() {
    line_ += 1 + breaks_;
    breaks_ = 0;
  }
  // Past the line break: comments may hold single quotation marks.
  std::string_view plain_line() {
    const std::size_t end = std::min(text_.find_first_of("\r\n", at_), text_.size());
    return text_.substr(at_, end - at_);
  }
  void pass_plain_line() {
    at_ = std::min(text_.find_first_of("\r\n", at_), text_.size());
    at_ += text_.substr(at_, 2) == "\r\n" ? 2 : 1;
  }

 private:
  std::string_view text_;
  std::size_t at_;
  int line_;
  int breaks_ = 0;
};

char character_of(Separator separator) {
  switch (separator) {
    case Separator::semicolon:
      return ';';
    case Separator::tab:
      return '\t';
    case Separator::comma:
      return ',';
    default:
      return ' ';
  }
}

Result<std::vector<CsvRow>> split_rows(const std::string& name, std::string_view text,
                                       const Layout& layout) {
  std::vector<CsvRow> rows;
  LineReader lines(text, layout.header_begin, layout.header_line);
  while (lines.more()) {
    const std::string_view plain = lines.plain_line();
    if (!rows.empty() && (is_comment(plain) || is_rule(plain))) {
      lines.pass_plain_line();
    } else {
      const auto line = lines.next(character_of(layout.separator));
      if (!line) {
        return fail(ErrorCode::bad_value,
                    name + " line " + std::to_string(lines.line()) +
                        ": a quotation mark opened there is never closed",
                    "Close or remove it");
      }
      if (!trimmed(*line).empty()) {
        rows.push_back({lines.line(), split_line(*line, layout.separator)});
      }
    }
    lines.count_line();
  }
  return rows;
}

void drop_byte_order_mark(std::string& text) {
  if (text.compare(0, kByteOrderMark.size(), kByteOrderMark) == 0) {
    text.erase(0, kByteOrderMark.size());
  }
}

Result<std::string> read_text(const std::string& path, const std::string& name) {
  std::error_code error;
  const auto status = std::filesystem::status(path, error);
  if (std::filesystem::exists(status) && !std::filesystem::is_regular_file(status)) {
    return fail(ErrorCode::unreadable, name + ": is not a regular file", "Name a table on disk");
  }
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
  std::string text(bytes, '\0');
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(std::max<std::streamsize>(in.gcount(), 0)));
  if (in.bad() || !in.is_open()) {
    return fail(ErrorCode::unreadable, name + ": the table cannot be read", "Check its rights");
  }
  if (text.find('\0') != std::string::npos) {
    return fail(ErrorCode::unsupported_format, name + ": this is no text (a zero byte in it)",
                "Save the table as CSV in UTF-8");
  }
  const auto breaks = std::max(std::count(text.begin(), text.end(), '\n'),
                               std::count(text.begin(), text.end(), '\r'));
  if (breaks > kMostLines) {
    return fail(ErrorCode::unsupported_format,
                name + ": " + std::to_string(breaks) + " rows are more than a table of runs has (" +
                    std::to_string(kMostLines) + ")",
                "Keep the rows of the runs you ask about");
  }
  drop_byte_order_mark(text);
  return text;
}

// What the decimal mark of a cell is; absent where it has none or is no number.
enum class Mark { point, comma, several };
std::optional<Mark> mark_of(const std::string& cell) {
  if (cell.find_first_not_of("0123456789.,+-eE") != std::string::npos ||
      cell.find_first_of("0123456789") == std::string::npos) {
    return std::nullopt;
  }
  const auto points = std::count(cell.begin(), cell.end(), '.');
  const auto commas = std::count(cell.begin(), cell.end(), ',');
  if (points + commas > 1) return Mark::several;
  if (points + commas == 0) return std::nullopt;
  return points == 1 ? Mark::point : Mark::comma;
}

}  // namespace

std::optional<double> Csv::number(const std::string& cell) const {
  return separator == Separator::comma ? parse_number(cell) : parse_number_decimal_comma(cell);
}

std::optional<std::string> Csv::misfit(const CsvRow& row) const {
  const std::size_t headings = rows.front().cells.size();
  std::size_t cells = row.cells.size();
  while (cells > headings && row.cells[cells - 1].empty()) --cells;
  const std::string counts =
      std::to_string(cells) + " cells under " + std::to_string(headings) + " headings";
  if (is_blanks(separator) && cells != headings) {
    return counts + ". Give each row a cell for each heading, or separate them by commas";
  }
  if (cells <= headings) return std::nullopt;
  return counts +
         (separator == Separator::comma
              ? ". Write decimals with a point and thousands without a mark, or delete the row"
              : ". Correct or delete the row");
}

Result<Csv> read_csv(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto text = read_text(path, name);
  if (!text) return tl::unexpected<Error>(text.error());
  const Layout layout = layout_of(*text, options);
  Csv csv;
  csv.separator = layout.separator;
  auto rows = split_rows(name, *text, layout);
  if (!rows) return tl::unexpected<Error>(rows.error());
  csv.rows = std::move(*rows);
  if (csv.rows.empty() || layout.recognised) return csv;
  const std::vector<std::string>& first = csv.rows.front().cells;
  if (std::all_of(first.begin(), first.end(),
                  [&csv](const std::string& cell) { return csv.number(cell).has_value(); })) {
    return fail(ErrorCode::no_data,
                name + " line " + std::to_string(csv.rows.front().line) +
                    ": numbers without a header row above them",
                "Write one, such as 'position,hfr'");
  }
  return csv;
}

std::vector<std::string> read_csv_header(const std::string& path, const TableOptions& options) {
  constexpr std::size_t kLongestHeader = 1U << 16U;  // bytes
  std::error_code error;
  if (!std::filesystem::is_regular_file(path, error)) return {};
  std::string text(kLongestHeader, '\0');
  std::ifstream in(path, std::ios::binary);
  in.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(std::max<std::streamsize>(in.gcount(), 0)));
  drop_byte_order_mark(text);
  if (text.find('\0') != std::string::npos) return {};
  const Layout layout = layout_of(text, options);
  const std::string_view header =
      std::string_view(text).substr(layout.header_begin, layout.header_end - layout.header_begin);
  return trimmed(header).empty() ? std::vector<std::string>()
                                 : split_line(header, layout.separator);
}

Result<void> check_decimal_marks(const std::string& name, const Csv& csv,
                                 const std::vector<std::optional<std::size_t>>& columns) {
  if (csv.separator == Separator::comma) return {};
  const std::string remedy = "Write all numbers with one decimal mark and thousands without a mark";
  std::optional<std::string> point;
  std::optional<std::string> comma;
  for (std::size_t k = 1; k < csv.rows.size(); ++k) {
    const CsvRow& row = csv.rows[k];
    const std::string line = "line " + std::to_string(row.line);
    for (const auto& column : columns) {
      const std::string cell = row.cell(column);
      const auto mark = mark_of(cell);
      if (!mark) continue;
      if (*mark == Mark::several) {
        return fail(ErrorCode::bad_value,
                    name + " " + line + ": '" + cell + "' has more than one decimal mark", remedy);
      }
      auto& first = *mark == Mark::point ? point : comma;
      if (!first) first = line + ": '" + cell + "'";
    }
    if (!point || !comma) continue;
    return fail(ErrorCode::bad_value,
                name + " " + *point + " has a decimal point, " + *comma + " a decimal comma",
                remedy);
  }
  return {};
}

ColumnFinder::ColumnFinder(const std::vector<std::string>& header, const TableOptions& options)
    : given_(options.columns) {
  for (std::size_t i = 0; i < header.size(); ++i) {
    place_.try_emplace(lower_case(header[i]), i);
    compact_place_.try_emplace(compact_heading(header[i]), i);
  }
}

std::optional<std::size_t> ColumnFinder::find(const std::string& name) {
  for (const auto& [column_name, given] : given_) {
    if (lower_case(column_name) != name) continue;
    const auto found = place_.find(lower_case(given));
    if (found != place_.end()) return found->second;
    if (std::find(missing_.begin(), missing_.end(), given) == missing_.end()) {
      missing_.push_back(given);
    }
  }
  if (const auto found = place_.find(name); found != place_.end()) return found->second;
  for (const std::string& heading : usual_headings(name)) {
    const auto found = compact_place_.find(heading);
    if (found != compact_place_.end()) return found->second;
  }
  return std::nullopt;
}

std::string listed(const std::vector<std::string>& header) {
  constexpr std::size_t kMost = 24;
  constexpr std::size_t kLongest = 40;
  std::string names;
  for (std::size_t i = 0; i < std::min(header.size(), kMost); ++i) {
    names += (names.empty() ? "'" : ", '") + header[i].substr(0, kLongest) + "'";
  }
  if (header.size() > kMost) names += " and " + std::to_string(header.size() - kMost) + " more";
  return names;
}

tl::unexpected<Error> lacks(const std::string& file, const std::vector<std::string>& missing,
                            const std::vector<std::string>& header) {
  return fail(ErrorCode::no_data,
              file + (missing.size() == 1 ? ": there is no column " : ": there are no columns ") +
                  listed(missing),
              "The table has " + listed(header));
}

}  // namespace starwaist::intake_detail
