#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <set>

#include "core/clock.h"
#include "intake/csv.h"
#include "intake/history_columns.h"
#include "starwaist/intake.h"
#include "starwaist/numbers.h"

namespace starwaist {
namespace {

using intake_detail::CsvRow;

struct Columns {
  std::optional<std::size_t> position;
  std::optional<std::size_t> size;
  std::optional<std::size_t> sigma;
  std::optional<std::size_t> stars;
  std::optional<std::size_t> temperature;
  std::optional<std::size_t> flux;
  std::optional<std::size_t> background;
  std::optional<std::size_t> eccentricity;
  std::optional<std::size_t> time;
  std::optional<std::size_t> filter;
  std::optional<std::size_t> exposure;
  std::optional<std::size_t> file;
  std::optional<std::size_t> run;
  std::optional<std::size_t> telescope;
  std::string size_name;  // hfr, hfd or fwhm
};

Result<Columns> find_columns(const std::string& file, const std::vector<std::string>& header,
                             const TableOptions& options) {
  intake_detail::ColumnFinder finder(header, options);
  const auto find = [&finder](const std::string& column) { return finder.find(column); };
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
  columns.flux = find("flux");
  columns.background = find("background");
  columns.eccentricity = find("eccentricity");
  columns.time = find("time");
  columns.filter = find("filter");
  columns.exposure = find("exposure");
  columns.file = find("file");
  columns.run = find("run");
  columns.telescope = find("telescope");
  if (finder.missing()) {
    return fail(ErrorCode::no_data, file + ": there is no column '" + *finder.missing() + "'",
                "The table has " + intake_detail::listed(header));
  }
  if (!columns.position) {
    return fail(
        ErrorCode::no_data, file + ": there is no column 'position'",
        "Name it with --column position=NAME; the table has " + intake_detail::listed(header));
  }
  if (!columns.size) {
    return fail(ErrorCode::no_data,
                file + ": there is no column '" + (want_fwhm ? "fwhm" : "hfr' or 'hfd") +
                    (want_fwhm || want_hfr ? "'" : "' or 'fwhm'"),
                "Name it with --column hfr=NAME; the table has " + intake_detail::listed(header));
  }
  return columns;
}

// What a row says beside position and size.
RowFacts facts_of(const Columns& columns, const CsvRow& row, const intake_detail::Csv& csv) {
  const auto number = [&](std::optional<std::size_t> column) {
    return csv.number(row.cell(column));
  };
  RowFacts facts;
  facts.temperature_c = number(columns.temperature);
  facts.flux = number(columns.flux);
  facts.background_adu = number(columns.background);
  facts.eccentricity = number(columns.eccentricity);
  facts.exposure_s = number(columns.exposure);
  const std::string time = row.cell(columns.time);
  facts.time_s = csv.number(time);  // seconds
  if (!facts.time_s) facts.time_s = core::parse_utc(time);
  if (std::string filter = row.cell(columns.filter); !filter.empty()) {
    facts.filter = std::move(filter);
  }
  return facts;
}

// The tables of a file by the value of its column `run`, in the order of their first rows; all rows
// under one empty name where there is no such column.
struct Tables {
  std::vector<NamedTable> runs;
  std::vector<std::string> header;
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
  const auto csv = intake_detail::read_csv(path);
  if (!csv) return tl::unexpected<Error>(csv.error());
  const std::vector<CsvRow>& rows = csv->rows;
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
  const intake_detail::HistoryColumns of_run =
      intake_detail::history_columns(tables.header, options);
  std::map<std::string, std::vector<std::size_t>> rows_of;  // by run
  std::map<std::string, int> sigmas_unknown;
  std::map<std::string, std::set<std::string>> telescopes;  // by run
  for (std::size_t k = 1; k < rows.size(); ++k) {
    const CsvRow& row = rows[k];
    const std::string where = name + " line " + std::to_string(row.line);
    const auto cell = [&row](std::optional<std::size_t> column) { return row.cell(column); };
    const auto number = [&csv](const std::string& text) { return csv->number(text); };
    const std::string run = cell(columns->run);
    RunTable& table = table_of(tables.runs, run, measure);
    rows_of[run].push_back(k);
    if (std::string name_of = cell(columns->telescope); !name_of.empty()) {
      telescopes[run].insert(std::move(name_of));
    }
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
    table.facts.push_back(facts_of(*columns, row, *csv));
    table.facts.back().stars = table.points.back().stars;
  }
  for (NamedTable& run : tables.runs) {
    const std::vector<std::size_t>& own = rows_of[run.run];
    run.table.middle = intake_detail::run_facts(*csv, rows[own[own.size() / 2]], of_run);
    for (const std::string& telescope : telescopes[run.run]) {
      auto& names = run.table.telescope;
      names = names ? *names + ", " + telescope : telescope;
    }
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
  const std::string columns =
      "Check the columns; the table has " + intake_detail::listed(tables->header);
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
                    intake_detail::listed(tables->header));
  }
  if (tables->runs.empty()) {
    return fail(ErrorCode::no_data, name + ": the table has no rows", "Give a row for each point");
  }
  return std::move(tables->runs);
}

}  // namespace starwaist
