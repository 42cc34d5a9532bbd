#include <algorithm>
#include <filesystem>
#include <set>
#include <system_error>

#include "run/folder.h"
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
  const auto entries = run_detail::visible_entries(folder);
  if (!entries) return tl::unexpected<Error>(entries.error());
  for (const fs::directory_entry& entry : *entries) {
    std::error_code ignored;
    if (!entry.is_regular_file(ignored)) continue;
    if (is_frame_name(entry.path().filename().string())) {
      input.frames.push_back(entry.path().string());
    } else if (lower_case(entry.path().extension().string()) == ".csv") {
      tables.push_back(entry.path().string());
    }
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
