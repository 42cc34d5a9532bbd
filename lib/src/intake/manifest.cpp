#include "intake/manifest.h"

#include <filesystem>
#include <system_error>
#include <utility>

#include "core/clock.h"
#include "intake/csv.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::intake_detail {
namespace {

namespace fs = std::filesystem;

struct Columns {
  std::optional<std::size_t> file;
  std::optional<std::size_t> position;
  std::optional<std::size_t> temperature;
  std::optional<std::size_t> filter;
  std::optional<std::size_t> exposure;
  std::optional<std::size_t> time;
};

// The file that a row names, among those on disk and the frames already known.
class FileFinder {
 public:
  FileFinder(const std::string& manifest, const std::vector<std::string>& frames)
      : folder_(fs::path(manifest).parent_path()) {
    for (const std::string& frame : frames) {
      by_name_[fs::path(frame).filename().string()].push_back(frame);
    }
  }
  [[nodiscard]] std::optional<std::string> find(const std::string& named) const {
    const fs::path beside = folder_ / named;
    std::error_code error;
    if (fs::exists(beside, error)) return beside.string();
    const auto known = by_name_.find(named);
    if (known == by_name_.end() || known->second.size() != 1) return std::nullopt;
    return known->second.front();
  }

 private:
  fs::path folder_;
  std::map<std::string, std::vector<std::string>> by_name_;
};

// Turns cells into facts and keeps what cannot be read.
class RowReader {
 public:
  RowReader(const Csv& csv, const CsvRow& row, std::string where, Manifest& manifest)
      : csv_(csv), row_(row), where_(std::move(where)), manifest_(manifest) {}

  [[nodiscard]] std::string cell(std::optional<std::size_t> column) const {
    return row_.cell(column);
  }
  void skip(const char* code, const std::string& reason) {
    manifest_.skipped.push_back({where_, {code, reason}});
  }

  // A number from `lowest` on. False where the cell holds something else.
  bool number(const char* name, std::optional<std::size_t> column, double lowest,
              const char* consequence, std::optional<double>& to) {
    const std::string text = cell(column);
    if (text.empty()) return true;
    const auto value = csv_.number(text);
    if (value && *value >= lowest) {
      to = value;
      return true;
    }
    skip(codes::value_not_understood, std::string(name) + " '" + text + "' is not a " +
                                          (lowest < 0 ? "number" : "number from 0 on") + ": " +
                                          consequence + ". Correct the row");
    return false;
  }

 private:
  const Csv& csv_;
  const CsvRow& row_;
  std::string where_;
  Manifest& manifest_;
};

constexpr const char* kCellPassedOver = "it is passed over";

// The facts of one row; absent where the frame has to be left out.
std::optional<StatedFacts> read_facts(const Columns& columns, RowReader& row) {
  constexpr double kAnyNumber = -1e300;
  StatedFacts facts;
  const bool placed = row.number("position", columns.position, kAnyNumber, "its frame is left out",
                                 facts.position_steps);
  row.number("temperature", columns.temperature, kAnyNumber, kCellPassedOver, facts.temperature_c);
  row.number("exposure", columns.exposure, 0, kCellPassedOver, facts.exposure_s);
  if (std::string filter = row.cell(columns.filter); !filter.empty()) {
    facts.filter = std::move(filter);
  }
  if (const std::string time = row.cell(columns.time); !time.empty()) {
    facts.time_utc = core::utc_text(time);
    if (!facts.time_utc) {
      row.skip(codes::value_not_understood,
               "time '" + time + "' is not of the form 2027-02-03T20:11:05: " + kCellPassedOver +
                   ". Correct the row");
    }
  }
  if (!placed) return std::nullopt;
  return facts;
}

}  // namespace

Result<Manifest> read_manifest(const std::string& path, const TableOptions& options,
                               const std::vector<std::string>& frames) {
  const std::string name = fs::path(path).filename().string();
  const auto csv = read_csv(path, options);
  if (!csv) return tl::unexpected<Error>(csv.error());
  if (csv->rows.empty()) return fail(ErrorCode::no_data, name + ": the manifest is empty");
  const std::vector<std::string>& header = csv->rows.front().cells;
  ColumnFinder finder(header, options);
  Columns columns;
  columns.file = finder.find("file");
  columns.position = finder.find("position");
  columns.temperature = finder.find("temperature");
  columns.filter = finder.find("filter");
  columns.exposure = finder.find("exposure");
  columns.time = finder.find("time");
  if (!finder.missing().empty()) return lacks(name, finder.missing(), header);
  if (auto marks = check_decimal_marks(name, *csv,
                                       {columns.position, columns.temperature, columns.exposure});
      !marks) {
    return tl::unexpected<Error>(marks.error());
  }

  Manifest manifest;
  const FileFinder files(path, frames);
  std::map<std::string, int> line_of;  // by canonical path
  for (std::size_t k = 1; k < csv->rows.size(); ++k) {
    const int line = csv->rows[k].line;
    RowReader row(*csv, csv->rows[k], name + " line " + std::to_string(line), manifest);
    const std::string named = row.cell(columns.file);
    if (named.empty()) {
      row.skip(codes::row_names_no_file, "the row names no file. Correct or delete it");
      continue;
    }
    const auto file = files.find(named);
    if (!file) {
      row.skip(codes::file_not_found,
               "there is no file '" + named + "'. Correct or delete the row");
      continue;
    }
    const std::string canonical = canonical_path(*file);
    if (const auto [first, is_new] = line_of.try_emplace(canonical, line); !is_new) {
      row.skip(codes::row_repeats_file, "'" + named + "' stands in line " +
                                            std::to_string(first->second) +
                                            " already, which counts. Delete one of the rows");
      continue;
    }
    const auto misfit = csv->misfit(csv->rows[k]);
    if (misfit) row.skip(codes::row_misfits, *misfit);
    const auto facts = misfit ? std::nullopt : read_facts(columns, row);
    if (!facts) {
      manifest.left_out.insert(canonical);
      continue;
    }
    manifest.frames.push_back(*file);
    manifest.stated.emplace(canonical, *facts);
  }
  return manifest;
}

std::string canonical_path(const std::string& path) {
  std::error_code error;
  const fs::path canonical = fs::canonical(path, error);
  return error ? path : canonical.string();
}

void apply(const StatedFacts& stated, HeaderFacts& facts) {
  const auto put = [&facts](const char* fact, const auto& value, auto& to) {
    if (!value) return;
    to = value;
    std::erase_if(facts.keywords, [fact](const auto& used) { return used.first == fact; });
    facts.keywords.emplace_back(fact, "manifest");
  };
  put("position_steps", stated.position_steps, facts.position_steps);
  put("temperature_c", stated.temperature_c, facts.temperature_c);
  put("filter", stated.filter, facts.filter);
  put("exposure_s", stated.exposure_s, facts.exposure_s);
  put("time_utc", stated.time_utc, facts.time_utc);
}

}  // namespace starwaist::intake_detail
