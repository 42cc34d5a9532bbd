#include <algorithm>
#include <cctype>
#include <filesystem>
#include <set>
#include <system_error>

#include "run/find_input.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

bool is_table_name(const fs::path& path) {
  const std::string ending = lower_case(path.extension().string());
  return ending == ".csv" || ending == ".tsv" || ending == ".txt";
}

Result<RunInput> find_in_folder(const fs::path& folder) {
  RunInput input;
  std::vector<std::string> tables;
  std::error_code error;
  for (fs::directory_iterator entry(folder, error), end; !error && entry != end;
       entry.increment(error)) {
    std::error_code ignored;
    if (!entry->is_regular_file(ignored)) continue;
    const std::string name = entry->path().filename().string();
    if (name.front() == '.') continue;
    if (is_frame_name(name)) {
      input.frames.push_back(entry->path().string());
    } else if (lower_case(entry->path().extension().string()) == ".csv") {
      tables.push_back(entry->path().string());
    }
  }
  if (error) {
    return fail(ErrorCode::unreadable,
                folder.string() + ": the folder cannot be read (" + error.message() + ")",
                "Check its rights");
  }
  if (!input.frames.empty()) return input;
  if (tables.size() == 1) {
    input.table = tables.front();
    return input;
  }
  if (tables.empty()) {
    return fail(ErrorCode::no_data, folder.string() + ": the folder holds no frame",
                "Name a folder with FITS files (.fits, .fit, .fts, .fz, also with .gz) or one CSV "
                "table; folders inside it are not searched");
  }
  return fail(ErrorCode::no_data,
              folder.string() + ": the folder holds no frame and " + std::to_string(tables.size()) +
                  " tables",
              "Name one of the tables");
}

// A file named twice (once by its folder, say) is one frame, not two.
void drop_repeated(std::vector<std::string>& paths) {
  std::set<fs::path> seen;
  std::erase_if(paths, [&seen](const std::string& path) {
    std::error_code error;
    const fs::path canonical = fs::canonical(path, error);
    return !error && !seen.insert(canonical).second;
  });
}

}  // namespace

bool run_detail::natural_less(const std::string& a, const std::string& b) {
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

Result<RunInput> find_run_input(const std::vector<std::string>& inputs) {
  if (inputs.empty()) {
    return fail(ErrorCode::no_data, "no input was given", "Name a folder, frames or a CSV table");
  }
  RunInput all;
  for (const std::string& given : inputs) {
    const fs::path path(given);
    std::error_code error;
    const fs::file_status status = fs::status(path, error);
    if (!fs::exists(status)) {
      return fail(ErrorCode::not_found, given + ": no such file or folder", "Check the name");
    }
    if (fs::is_directory(status)) {
      auto found = find_in_folder(path);
      if (!found) return found;
      all.frames.insert(all.frames.end(), found->frames.begin(), found->frames.end());
      if (found->table) {
        if (all.table) {
          return fail(ErrorCode::no_data, given + ": a second table", "Name one table at a time");
        }
        all.table = found->table;
      }
      continue;
    }
    if (is_table_name(path)) {
      if (all.table) {
        return fail(ErrorCode::no_data, given + ": a second table", "Name one table at a time");
      }
      all.table = given;
      continue;
    }
    all.frames.push_back(given);  // named by the user: whatever its ending, reading decides
  }
  if (all.table && !all.frames.empty()) {
    return fail(ErrorCode::no_data, *all.table + ": a table beside frames",
                "Name either frames or one table");
  }
  drop_repeated(all.frames);
  std::stable_sort(all.frames.begin(), all.frames.end(),
                   [](const std::string& a, const std::string& b) {
                     return run_detail::natural_less(fs::path(a).filename().string(),
                                                     fs::path(b).filename().string());
                   });
  return all;
}

}  // namespace starwaist
