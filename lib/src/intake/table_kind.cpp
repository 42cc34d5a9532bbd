#include <algorithm>
#include <filesystem>
#include <iterator>

#include "intake/csv.h"
#include "intake/history_columns.h"
#include "starwaist/intake.h"
#include "starwaist/numbers.h"

namespace starwaist {
namespace {

using intake_detail::ColumnFinder;

// Also hfr_px and the like, as in the CSV that `measure` writes.
bool begins_like_a_size(const std::string& name) {
  constexpr const char* kSizes[] = {"hfr", "hfd", "fwhm"};
  return std::any_of(std::begin(kSizes), std::end(kSizes),
                     [&name](const char* size) { return lower_case(name).find(size) == 0; });
}

bool has_size(const std::vector<std::string>& header, const TableOptions& options) {
  ColumnFinder finder(header, options);
  return finder.find("hfr") || finder.find("hfd") || finder.find("fwhm");
}

bool is_manifest(const std::vector<std::string>& header, const TableOptions& options) {
  return std::none_of(header.begin(), header.end(), begins_like_a_size) &&
         !has_size(header, options) &&
         std::none_of(options.columns.begin(), options.columns.end(),
                      [](const auto& column) { return begins_like_a_size(column.first); }) &&
         ColumnFinder(header, options).find("file").has_value();
}

}  // namespace

bool is_table_name(const std::string& path) {
  const std::string ending = lower_case(std::filesystem::path(path).extension().string());
  return ending == ".csv" || ending == ".tsv" || ending == ".txt";
}

TableKind table_kind(const std::string& path, const TableOptions& options) {
  const std::vector<std::string> header = intake_detail::read_csv_header(path, options);
  if (is_manifest(header, options)) return TableKind::manifest;
  const auto columns = intake_detail::history_columns(header, options);
  if (has_size(header, options)) {
    return ColumnFinder(header, options).find("position") ? TableKind::sizes : TableKind::unknown;
  }
  return columns.position && columns.temperature ? TableKind::history : TableKind::unknown;
}

}  // namespace starwaist
