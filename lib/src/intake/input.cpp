#include <algorithm>
#include <filesystem>
#include <set>
#include <system_error>

#include "intake/folder.h"
#include "intake/manifest.h"
#include "starwaist/frame.h"
#include "starwaist/intake.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

// Frames, tables and manifests as they are found, in the order of the inputs.
class Search {
 public:
  explicit Search(const TableOptions& options) : options_(options) {}

  Result<void> add_folder(const fs::path& folder) {
    const auto entries = intake_detail::visible_entries(folder);
    if (!entries) return tl::unexpected<Error>(entries.error());
    std::vector<std::string> frames;
    std::vector<std::string> pictures;
    std::vector<std::string> tables;
    std::vector<std::string> manifests;
    for (const fs::directory_entry& entry : *entries) {
      std::error_code ignored;
      if (!entry.is_regular_file(ignored)) continue;
      const std::string path = entry.path().string();
      if (is_frame_name(path)) {
        frames.push_back(path);
      } else if (is_png_name(path)) {
        pictures.push_back(path);
      } else if (intake_detail::is_table_in_folder(path, options_)) {
        (table_kind(path, options_) == TableKind::manifest ? manifests : tables).push_back(path);
      }
    }
    // Beside other frames, and beside a table, a PNG file is a figure unless a manifest names it.
    if (frames.empty() && tables.empty()) {
      frames = std::move(pictures);
    } else {
      for (const std::string& path : pictures) figures_.insert(intake_detail::canonical_path(path));
    }
    if (manifests.size() > 1) {
      return fail(ErrorCode::no_data,
                  folder.string() + ": the folder holds " + std::to_string(manifests.size()) +
                      " tables with a column 'file'",
                  "Keep one of them, or name one and the frames");
    }
    input_.frames.insert(input_.frames.end(), frames.begin(), frames.end());
    input_.manifests.insert(input_.manifests.end(), manifests.begin(), manifests.end());
    if (!frames.empty() || !manifests.empty()) return {};
    if (tables.size() == 1) return add_table(folder.string(), tables.front());
    if (tables.empty()) return no_frame_in(folder, *entries);
    return fail(ErrorCode::no_data,
                folder.string() + ": the folder holds no frame and " +
                    std::to_string(tables.size()) + " tables",
                "Name one of the tables");
  }

  Result<void> add_file(const std::string& path) {
    if (!is_table_name(path)) {
      input_.frames.push_back(path);  // named by the user: whatever its ending, reading decides
      return {};
    }
    if (table_kind(path, options_) == TableKind::manifest) {
      input_.manifests.push_back(path);
      return {};
    }
    return add_table(path, path);
  }

  // Of a folder that holds neither frames nor a table.
  [[nodiscard]] tl::unexpected<Error> no_frame_in(
      const fs::path& folder, const std::vector<fs::directory_entry>& entries) const {
    const auto runs =
        std::count_if(entries.begin(), entries.end(), [this](const fs::directory_entry& entry) {
          return intake_detail::is_run_folder(entry, options_);
        });
    if (runs == 0) {
      return fail(ErrorCode::no_data, folder.string() + ": the folder holds no frame",
                  "Name a folder with FITS, TIFF, PNG or raw files or one CSV table; folders "
                  "inside it are not searched");
    }
    return fail(ErrorCode::no_data,
                folder.string() + ": the folder holds no frame, but " + std::to_string(runs) +
                    (runs == 1 ? " folder that does" : " folders that do"),
                "Name one of them, or add --each to 'starwaist fit' or 'diagnose' for all");
  }

  // Everything found, with what the manifests say.
  Result<RunInput> finish() {
    drop_repeated(input_.frames);
    drop_repeated(input_.manifests);
    if (input_.table && !(input_.frames.empty() && input_.manifests.empty())) {
      return fail(ErrorCode::no_data, *input_.table + ": a table beside frames",
                  "Name either frames or one table");
    }
    const bool manifests_alone = input_.frames.empty();
    if (auto read = read_manifests(manifests_alone); !read) {
      return tl::unexpected<Error>(read.error());
    }
    if (!manifests_alone) {
      std::stable_sort(input_.frames.begin(), input_.frames.end(),
                       [](const std::string& a, const std::string& b) {
                         return intake_detail::natural_less(fs::path(a).filename().string(),
                                                            fs::path(b).filename().string());
                       });
    }
    return std::move(input_);
  }

 private:
  Result<void> add_table(const std::string& given, const std::string& table) {
    if (input_.table) {
      return fail(ErrorCode::no_data, given + ": a second table", "Name one table at a time");
    }
    input_.table = table;
    return {};
  }

  // `alone`: the manifests say what the frames are.
  Result<void> read_manifests(bool alone) {
    std::set<std::string> left_out;
    std::vector<std::string> named;
    for (const std::string& path : input_.manifests) {
      auto manifest = intake_detail::read_manifest(path, options_, input_.frames);
      if (!manifest) return tl::unexpected<Error>(manifest.error());
      named.insert(named.end(), manifest->frames.begin(), manifest->frames.end());
      input_.stated.merge(manifest->stated);
      left_out.merge(manifest->left_out);
      input_.skipped.insert(input_.skipped.end(), manifest->skipped.begin(),
                            manifest->skipped.end());
    }
    if (!alone) {
      std::erase_if(named, [this](const std::string& path) {
        return figures_.count(intake_detail::canonical_path(path)) == 0;
      });
    }
    input_.frames.insert(input_.frames.end(), named.begin(), named.end());
    drop_repeated(input_.frames);
    std::erase_if(input_.frames, [&left_out](const std::string& frame) {
      return left_out.count(intake_detail::canonical_path(frame)) != 0;
    });
    if (!input_.frames.empty() || input_.manifests.empty()) return {};
    const std::string name = fs::path(input_.manifests.front()).filename().string();
    const std::string first = input_.skipped.empty() ? std::string()
                                                     : " (" + input_.skipped.front().file + ": " +
                                                           input_.skipped.front().reason.text + ")";
    return fail(ErrorCode::no_data, name + ": no row names a frame that can be used" + first,
                "Give a frame and its position in each row, the file names relative to the "
                "table's folder; a table of sizes needs a column 'hfr', 'hfd' or 'fwhm'");
  }

  // A file named twice (once by its folder, say) is one frame, not two.
  static void drop_repeated(std::vector<std::string>& paths) {
    std::set<std::string> seen;
    std::erase_if(paths, [&seen](const std::string& path) {
      return !seen.insert(intake_detail::canonical_path(path)).second;
    });
  }

  const TableOptions& options_;
  RunInput input_;
  std::set<std::string> figures_;  // canonical paths of the PNG files passed over
};

}  // namespace

Result<RunInput> find_run_input(const std::vector<std::string>& inputs,
                                const TableOptions& options) {
  if (inputs.empty()) {
    return fail(ErrorCode::no_data, "no input was given", "Name a folder, frames or a CSV table");
  }
  Search search(options);
  for (const std::string& given : inputs) {
    std::error_code error;
    const fs::file_status status = fs::status(given, error);
    if (!fs::exists(status)) {
      return fail(ErrorCode::not_found, given + ": no such file or folder", "Check the name");
    }
    auto added = fs::is_directory(status) ? search.add_folder(given) : search.add_file(given);
    if (!added) return tl::unexpected<Error>(added.error());
  }
  return search.finish();
}

std::vector<std::vector<std::string>> runs_of(const std::vector<std::string>& inputs) {
  const auto is_folder = [](const std::string& path) {
    std::error_code ignored;
    return fs::is_directory(path, ignored);
  };
  const bool loose_frames =
      std::any_of(inputs.begin(), inputs.end(), [&is_folder](const std::string& input) {
        return !is_folder(input) && !is_table_name(input);
      });
  std::vector<std::vector<std::string>> runs;
  std::optional<std::size_t> loose;  // the run of the loose files
  for (const std::string& input : inputs) {
    if (is_folder(input) || !loose_frames) {
      runs.push_back({input});
    } else if (loose) {
      runs[*loose].push_back(input);
    } else {
      loose = runs.size();
      runs.push_back({input});
    }
  }
  return runs;
}

}  // namespace starwaist
