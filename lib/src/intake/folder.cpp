#include "intake/folder.h"

#include <algorithm>
#include <cctype>
#include <system_error>

#include "starwaist/frame.h"
#include "starwaist/numbers.h"

namespace starwaist::intake_detail {

namespace fs = std::filesystem;

Result<std::vector<fs::directory_entry>> visible_entries(const fs::path& folder) {
  std::vector<fs::directory_entry> entries;
  std::error_code error;
  for (fs::directory_iterator entry(folder, error), end; !error && entry != end;
       entry.increment(error)) {
    if (entry->path().filename().string().front() != '.') entries.push_back(*entry);
  }
  if (error) {
    return fail(ErrorCode::unreadable,
                folder.string() + ": the folder cannot be read (" + error.message() + ")",
                "Check its rights");
  }
  return entries;
}

bool is_table_in_folder(const std::string& path, const TableOptions& options) {
  if (!is_table_name(path)) return false;
  const bool any_text = lower_case(fs::path(path).extension().string()) == ".txt";
  return !any_text || table_kind(path, options) != TableKind::unknown;
}

bool is_run_folder(const fs::directory_entry& entry, const TableOptions& options) {
  std::error_code ignored;
  if (!entry.is_directory(ignored) || entry.path().filename().string().front() == '.') return false;
  const auto inside = visible_entries(entry.path());
  return inside && std::any_of(inside->begin(), inside->end(), [&](const auto& file) {
           const std::string path = file.path().string();
           return file.is_regular_file(ignored) &&
                  (is_frame_name(path) || is_png_name(path) || is_table_in_folder(path, options));
         });
}

bool natural_less(const std::string& a, const std::string& b) {
  const auto digit = [](char c) { return std::isdigit(static_cast<unsigned char>(c)) != 0; };
  std::size_t i = 0;
  std::size_t j = 0;
  while (i < a.size() && j < b.size()) {
    if (digit(a[i]) && digit(b[j])) {
      const std::size_t a_first = i;
      const std::size_t b_first = j;
      while (i < a.size() && digit(a[i])) ++i;
      while (j < b.size() && digit(b[j])) ++j;
      std::string x = a.substr(a_first, i - a_first);
      std::string y = b.substr(b_first, j - b_first);
      x.erase(0, std::min(x.find_first_not_of('0'), x.size() - 1));
      y.erase(0, std::min(y.find_first_not_of('0'), y.size() - 1));
      if (x.size() != y.size()) return x.size() < y.size();
      if (x != y) return x < y;
      continue;
    }
    if (a[i] != b[j]) return a[i] < b[j];
    ++i;
    ++j;
  }
  if ((i < a.size()) != (j < b.size())) return j < b.size();
  return a < b;
}

void sort_naturally(std::vector<fs::path>& paths) {
  std::sort(paths.begin(), paths.end(), [](const fs::path& a, const fs::path& b) {
    return natural_less(a.filename().string(), b.filename().string());
  });
}

}  // namespace starwaist::intake_detail
