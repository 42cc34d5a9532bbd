#include <algorithm>
#include <cmath>
#include <filesystem>
#include <map>
#include <set>

#include "core/clock.h"
#include "intake/csv.h"
#include "intake/headings.h"
#include "intake/history_columns.h"
#include "starwaist/codes.h"
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

  // Those that hold numbers.
  [[nodiscard]] std::vector<std::optional<std::size_t>> numbers() const {
    return {position, size, sigma, stars, temperature, flux, background, eccentricity, exposure};
  }
};

// The names of size columns in the order in which they are looked for.
std::vector<std::string> names_of_sizes(const TableOptions& options) {
  std::vector<std::string> sizes;
  if (options.size != SizeMeasure::fwhm) sizes = {"hfr", "hfd"};
  if (options.size != SizeMeasure::hfr) sizes.emplace_back("fwhm");
  // A size column that the user names comes before one found by its own name.
  std::stable_partition(sizes.begin(), sizes.end(), [&options](const std::string& size) {
    return std::any_of(options.columns.begin(), options.columns.end(),
                       [&size](const auto& column) { return lower_case(column.first) == size; });
  });
  return sizes;
}

// All columns that a table cannot do without, and lacks.
tl::unexpected<Error> lacks_needed(const std::string& file, const std::vector<std::string>& header,
                                   const TableOptions& options, bool position, bool size) {
  const std::string sizes = options.size == SizeMeasure::fwhm  ? "'fwhm'"
                            : options.size == SizeMeasure::hfr ? "'hfr' or 'hfd'"
                                                               : "'hfr' or 'hfd' or 'fwhm'";
  const std::string name_size =
      options.size == SizeMeasure::fwhm ? "--column fwhm=NAME" : "--column hfr=NAME";
  std::string what = ": there is no column ";
  std::string remedy;
  if (position) {
    what += "'position'";
    remedy = "--column position=NAME";
  }
  if (size) {
    what += (position ? " and none " : "") + sizes;
    remedy += (position ? " " : "") + name_size;
  }
  return fail(ErrorCode::no_data, file + what,
              "Name " + std::string(position && size ? "them" : "it") + " with " + remedy +
                  "; the table has " + intake_detail::listed(header));
}

Result<Columns> find_columns(const std::string& file, const std::vector<std::string>& header,
                             const TableOptions& options) {
  intake_detail::ColumnFinder finder(header, options);
  const auto find = [&finder](const std::string& column) { return finder.find(column); };
  Columns columns;
  columns.position = find("position");
  for (const std::string& name : names_of_sizes(options)) {
    if (columns.size) break;
    columns.size = find(name);
    columns.size_name = name;
  }
  columns.sigma = find("sigma");
  if (!columns.sigma) columns.sigma = find(columns.size_name + "_sigma");
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
  if (!finder.missing().empty()) return intake_detail::lacks(file, finder.missing(), header);
  if (!columns.position || !columns.size) {
    return lacks_needed(file, header, options, !columns.position, !columns.size);
  }
  return columns;
}

// What was taken for what, where the heading is not the documented name.
std::vector<Statement> remarks_on(const Columns& columns, const std::vector<std::string>& header) {
  std::vector<Statement> remarks;
  const std::string& position = header[*columns.position];
  const std::string& size = header[*columns.size];
  std::string taken;
  if (intake_detail::compact_heading(position) != "position") {
    taken = "positions are read from '" + position + "'";
  }
  if (intake_detail::compact_heading(size) != columns.size_name) {
    taken += (taken.empty() ? "" : ", ") + columns.size_name + " from '" + size + "'";
  }
  if (!taken.empty()) remarks.push_back({codes::headings_recognised, taken});
  if (columns.size_name == "hfd") {
    remarks.push_back({codes::diameters_halved,
                       "'" + size + "' holds diameters: sizes here are radii, half of them"});
  }
  return remarks;
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

// A row that can serve.
struct TableRow {
  CurvePoint point;
  RowFacts facts;
  bool odd_sigma = false;  // it holds one that is not a positive number
};

// `number`: of the row among the data rows. The error says why the row cannot serve.
tl::expected<TableRow, Statement> read_row(const Columns& columns, const CsvRow& row,
                                           std::size_t number, const intake_detail::Csv& csv) {
  const auto unusable = [](const char* code, const std::string& why) {
    return tl::unexpected<Statement>({code, why});
  };
  if (const auto misfit = csv.misfit(row)) return unusable(codes::row_misfits, *misfit);
  const std::string position_text = row.cell(columns.position);
  const auto position = csv.number(position_text);
  if (!position) {
    return unusable(codes::value_not_understood,
                    "position '" + position_text + "' is not a number. Correct or delete the row");
  }
  const std::string size_text = row.cell(columns.size);
  const auto size = csv.number(size_text);
  if (!size || !(*size > 0)) {
    return unusable(codes::value_not_understood,
                    columns.size_name + " '" + size_text +
                        "' is not a positive number. Correct or delete the row");
  }
  const double to_radius = columns.size_name == "hfd" ? 0.5 : 1.0;
  TableRow read;
  CurvePoint& point = read.point;
  point.file = row.cell(columns.file);
  if (point.file.empty()) point.file = "row " + std::to_string(number);
  point.position_steps = *position;
  point.size_px = *size * to_radius;
  const std::string sigma_text = row.cell(columns.sigma);
  const auto sigma = csv.number(sigma_text);
  if (sigma && *sigma > 0) {
    point.sigma_px = *sigma * to_radius;
  } else {
    read.odd_sigma = !sigma_text.empty();
  }
  const auto stars = csv.number(row.cell(columns.stars));
  if (stars && *stars >= 0 && *stars < 1e9) point.stars = static_cast<int>(std::lround(*stars));
  point.temperature_c = csv.number(row.cell(columns.temperature));
  read.facts = facts_of(columns, row, csv);
  read.facts.stars = point.stars;
  return read;
}

// One run of a table while its rows are gathered.
struct Gathered {
  NamedTable named;
  std::vector<const CsvRow*> rows;
  std::set<std::string> telescopes;
  int odd_sigmas = 0;
};

// Runs in the order of their first rows.
class Gathering {
 public:
  Gathered& run(const std::string& name) {
    const auto [found, is_new] = place_.try_emplace(name, runs_.size());
    if (is_new) runs_.emplace_back().named.run = name;
    return runs_[found->second];
  }
  std::vector<Gathered>& runs() { return runs_; }

 private:
  std::vector<Gathered> runs_;
  std::map<std::string, std::size_t> place_;
};

// The run's table with what its rows say together.
NamedTable finished(Gathered gathered, const intake_detail::Csv& csv,
                    const intake_detail::HistoryColumns& of_run) {
  RunTable& table = gathered.named.table;
  table.middle = intake_detail::run_facts(csv, *gathered.rows[gathered.rows.size() / 2], of_run);
  for (const CsvRow* row : gathered.rows) {
    const auto time = core::utc_text(row->cell(of_run.time));
    if (!time) continue;
    if (!table.middle.from_utc || *time < *table.middle.from_utc) table.middle.from_utc = time;
    if (!table.middle.until_utc || *time > *table.middle.until_utc) table.middle.until_utc = time;
  }
  for (const std::string& telescope : gathered.telescopes) {
    table.telescope = table.telescope ? *table.telescope + ", " + telescope : telescope;
  }
  if (gathered.odd_sigmas > 0) {
    table.notes.push_back(
        {codes::sigma_not_positive,
         std::to_string(gathered.odd_sigmas) +
             " rows have a sigma that is not a positive number: it counts as unknown"});
  }
  return std::move(gathered.named);
}

// The tables of a file by the value of its column `run`, in the order of their first rows; all rows
// under one empty name where there is no such column.
struct Tables {
  std::vector<NamedTable> runs;
  std::vector<std::string> header;
  bool has_run_column = false;
};

void add_row(const Columns& columns, const CsvRow& row, std::size_t number,
             const intake_detail::Csv& csv, const std::string& name, Gathered& run) {
  RunTable& table = run.named.table;
  run.rows.push_back(&row);
  if (std::string telescope = row.cell(columns.telescope); !telescope.empty()) {
    run.telescopes.insert(std::move(telescope));
  }
  auto read = read_row(columns, row, number, csv);
  if (!read) {
    table.skipped.push_back({name + " line " + std::to_string(row.line), read.error()});
    return;
  }
  run.odd_sigmas += read->odd_sigma ? 1 : 0;
  table.points.push_back(std::move(read->point));
  table.facts.push_back(std::move(read->facts));
}

Result<Tables> read_tables(const std::string& path, const TableOptions& options) {
  const std::string name = std::filesystem::path(path).filename().string();
  const auto csv = intake_detail::read_csv(path, options);
  if (!csv) return tl::unexpected<Error>(csv.error());
  const std::vector<CsvRow>& rows = csv->rows;
  if (rows.empty()) {
    return fail(ErrorCode::no_data, name + ": the table is empty",
                "It needs a header row with 'position' and 'hfr', 'hfd' or 'fwhm'");
  }
  Tables tables;
  tables.header = rows.front().cells;
  const auto columns = find_columns(name, tables.header, options);
  if (!columns) return tl::unexpected<Error>(columns.error());
  tables.has_run_column = columns->run.has_value();
  if (auto marks = intake_detail::check_decimal_marks(name, *csv, columns->numbers()); !marks) {
    return tl::unexpected<Error>(marks.error());
  }

  Gathering gathering;
  for (std::size_t k = 1; k < rows.size(); ++k) {
    add_row(*columns, rows[k], k, *csv, name, gathering.run(rows[k].cell(columns->run)));
  }
  const auto of_run = intake_detail::history_columns(tables.header, options);
  const std::vector<Statement> remarks = remarks_on(*columns, tables.header);
  for (Gathered& run : gathering.runs()) {
    RunTable& table = run.named.table;
    table.size = columns->size_name == "fwhm" ? SizeMeasure::fwhm : SizeMeasure::hfr;
    table.named = !run.named.run.empty();
    table.source = name + (tables.has_run_column ? " run " + run.named.run : std::string());
    table.notes = remarks;
    tables.runs.push_back(finished(std::move(run), *csv, of_run));
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
                    ": " + table.skipped.front().reason.text + ")",
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
