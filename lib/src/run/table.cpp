#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <string_view>

#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

constexpr std::uintmax_t kLargestTable = 256U
                                         << 20U;  // bytes; a season of runs is a hundredth of it

using Row = std::vector<std::string>;

struct NumberedRow {
  int line = 0;
  Row cells;
};

// Splits RFC 4180 text: quoted cells may hold separators, line breaks and doubled quotes.
// Errors: bad_value for a quote that is never closed, which would swallow the rows behind it.
Result<std::vector<NumberedRow>> split_rows(const std::string& name, std::string_view text,
                                            char separator) {
  std::vector<NumberedRow> rows;
  NumberedRow row{1, {}};
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
    row = NumberedRow{line + 1, {}};
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

struct Columns {
  std::optional<std::size_t> position;
  std::optional<std::size_t> size;
  std::optional<std::size_t> sigma;
  std::optional<std::size_t> stars;
  std::optional<std::size_t> temperature;
  std::optional<std::size_t> file;
  std::optional<std::size_t> run;
  std::string size_name;  // hfr, hfd or fwhm
};

std::string listed(const Row& header) {
  std::string names;
  for (const std::string& name : header) names += (names.empty() ? "" : ", ") + ("'" + name + "'");
  return names;
}

Result<Columns> find_columns(const std::string& file, const Row& header,
                             const TableOptions& options) {
  std::map<std::string, std::size_t> place;
  for (std::size_t i = 0; i < header.size(); ++i) place.try_emplace(lower_case(header[i]), i);
  std::optional<Error> missing;
  const auto find = [&](const std::string& name) -> std::optional<std::size_t> {
    for (const auto& [contract_name, given] : options.columns) {
      if (lower_case(contract_name) != name) continue;
      const auto found = place.find(lower_case(given));
      if (found != place.end()) return found->second;
      missing = Error{ErrorCode::no_data, file + ": there is no column '" + given + "'",
                      "The table has " + listed(header)};
    }
    const auto found = place.find(name);
    if (found == place.end()) return std::nullopt;
    return found->second;
  };
  Columns columns;
  columns.position = find("position");
  const bool want_fwhm = options.size == SizeMeasure::fwhm;
  const bool want_hfr = options.size == SizeMeasure::hfr;
  std::vector<std::string> sizes;
  if (!want_fwhm) sizes = {"hfr", "hfd"};
  if (!want_hfr) sizes.emplace_back("fwhm");
  // A size column that the user names comes before one found by its own name.
  const auto named = [&options](const std::string& size) {
    return std::any_of(options.columns.begin(), options.columns.end(),
                       [&size](const auto& column) { return lower_case(column.first) == size; });
  };
  std::stable_partition(sizes.begin(), sizes.end(), named);
  for (const std::string& name : sizes) {
    if (columns.size) break;
    columns.size = find(name);
    columns.size_name = name;
  }
  columns.sigma = find("sigma");
  columns.stars = find("stars");
  columns.temperature = find("temperature");
  columns.file = find("file");
  columns.run = find("run");
  if (missing) return tl::unexpected<Error>(*missing);
  if (!columns.position) {
    return fail(ErrorCode::no_data, file + ": there is no column 'position'",
                "Name it with --column position=NAME; the table has " + listed(header));
  }
  if (!columns.size) {
    return fail(ErrorCode::no_data,
                file + ": there is no column '" + (want_fwhm ? "fwhm" : "hfr' or 'hfd") +
                    (want_fwhm || want_hfr ? "'" : "' or 'fwhm'"),
                "Name it with --column hfr=NAME; the table has " + listed(header));
  }
  return columns;
}

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
  constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";
  if (text.compare(0, kByteOrderMark.size(), kByteOrderMark) == 0) {
    text.erase(0, kByteOrderMark.size());
  }
  return text;
}

// The tables of a file by the value of its column `run`, in the order of their first rows; all rows
// under one empty name where there is no such column.
struct Tables {
  std::vector<NamedTable> runs;
  Row header;
  bool has_run_column = false;
};

RunTable& table_of(std::vector<NamedTable>& runs, const std::string& name, SizeMeasure size) {
  // Rows of one run mostly follow each other.
  const auto found = std::find_if(runs.rbegin(), runs.rend(),
                                  [&name](const NamedTable& run) { return run.run == name; });
  if (found != runs.rend()) return found->table;
  runs.push_back({name, {}});
  runs.back().table.size = size;
  return runs.back().table;
}

Result<Tables> read_tables(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto text = read_text(path, name);
  if (!text) return tl::unexpected<Error>(text.error());
  const char separator = separator_of(*text);
  const auto split = split_rows(name, *text, separator);
  if (!split) return tl::unexpected<Error>(split.error());
  const std::vector<NumberedRow>& rows = *split;
  if (rows.empty()) {
    return fail(ErrorCode::no_data, name + ": the table is empty",
                "It needs a header row with 'position' and 'hfr', 'hfd' or 'fwhm'");
  }
  const auto columns = find_columns(name, rows.front().cells, options);
  if (!columns) return tl::unexpected<Error>(columns.error());

  Tables tables;
  tables.header = rows.front().cells;
  tables.has_run_column = columns->run.has_value();
  const SizeMeasure measure = columns->size_name == "fwhm" ? SizeMeasure::fwhm : SizeMeasure::hfr;
  const double to_radius = columns->size_name == "hfd" ? 0.5 : 1.0;
  const auto number = [&](const std::string& cell) {
    return separator == ',' ? parse_number(cell) : parse_number_decimal_comma(cell);
  };
  std::map<std::string, int> sigmas_unknown;
  for (std::size_t k = 1; k < rows.size(); ++k) {
    const NumberedRow& row = rows[k];
    const std::string where = name + " line " + std::to_string(row.line);
    const auto cell = [&](std::optional<std::size_t> column) -> std::string {
      return column && *column < row.cells.size() ? row.cells[*column] : std::string();
    };
    const std::string run = cell(columns->run);
    RunTable& table = table_of(tables.runs, run, measure);
    const auto position = number(cell(columns->position));
    const auto size = number(cell(columns->size));
    if (!position) {
      table.skipped.push_back({where, "position '" + cell(columns->position) +
                                          "' is not a number. Correct or delete the row"});
      continue;
    }
    if (!size || !(*size > 0)) {
      table.skipped.push_back({where, columns->size_name + " '" + cell(columns->size) +
                                          "' is not a positive number. Correct or delete the row"});
      continue;
    }
    CurvePoint point;
    point.file = cell(columns->file);
    if (point.file.empty()) point.file = "row " + std::to_string(k);
    point.position_steps = *position;
    point.size_px = *size * to_radius;
    const std::string sigma_text = cell(columns->sigma);
    const auto sigma = number(sigma_text);
    if (sigma && *sigma > 0) {
      point.sigma_px = *sigma * to_radius;
    } else if (!sigma_text.empty()) {
      ++sigmas_unknown[run];
    }
    const auto stars = number(cell(columns->stars));
    if (stars && *stars >= 0 && *stars < 1e9) point.stars = static_cast<int>(std::lround(*stars));
    point.temperature_c = number(cell(columns->temperature));
    table.points.push_back(std::move(point));
  }
  for (const auto& [run, count] : sigmas_unknown) {
    table_of(tables.runs, run, measure)
        .notes.push_back(std::to_string(count) +
                         " rows have a sigma that is not a positive number: it counts as unknown");
  }
  return tables;
}

}  // namespace

Result<RunTable> read_run_table(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  auto tables = read_tables(path, options);
  if (!tables) return tl::unexpected<Error>(tables.error());
  if (tables->runs.size() > 1) {
    return fail(ErrorCode::no_data,
                name + ": the table holds " + std::to_string(tables->runs.size()) + " runs",
                "Use 'starwaist fit --each', or keep the rows of one run");
  }
  const std::string columns = "Check the columns; the table has " + listed(tables->header);
  if (tables->runs.empty()) {
    return fail(ErrorCode::no_data, name + ": no row holds a position and a size", columns);
  }
  RunTable& table = tables->runs.front().table;
  if (table.points.empty()) {
    return fail(ErrorCode::no_data,
                name + ": no row holds a position and a size (" + table.skipped.front().file +
                    ": " + table.skipped.front().reason + ")",
                columns);
  }
  return std::move(table);
}

Result<std::vector<NamedTable>> read_run_tables(const std::string& path,
                                                const TableOptions& options) {
  auto tables = read_tables(path, options);
  if (!tables) return tl::unexpected<Error>(tables.error());
  const std::string name = std::filesystem::path(path).filename().string();
  if (!tables->has_run_column) {
    return fail(ErrorCode::no_data, name + ": there is no column 'run'",
                "Name it with --column run=NAME, or leave out --each; the table has " +
                    listed(tables->header));
  }
  if (tables->runs.empty()) {
    return fail(ErrorCode::no_data, name + ": the table has no rows", "Give a row for each point");
  }
  return std::move(tables->runs);
}

}  // namespace starwaist
