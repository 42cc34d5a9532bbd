#include "run_inputs.h"

#include <filesystem>
#include <map>
#include <set>

#include "starwaist/frame.h"

namespace starwaist::tool {

namespace {

std::vector<std::string> protected_paths_of(const RunInput& input) {
  std::vector<std::string> paths = input.frames;
  if (input.table) paths.push_back(*input.table);
  paths.insert(paths.end(), input.manifests.begin(), input.manifests.end());
  return paths;
}

void add_named(const std::vector<std::string>& names, std::vector<std::string>& paths) {
  for (const std::string& name : names) {
    if (!name.empty()) paths.push_back(name);
  }
}

// A run of which nothing could be fitted stops the work with its error.
Result<void> add_run(const FoundRun& run, const RunOptions& options,
                     std::vector<RunAnswer>& answers) {
  if (!run.input) return tl::unexpected<Error>(run.input.error());
  const std::vector<std::string>& names = run.names;
  if (names.size() == 1 && is_table_name(names.front()) &&
      read_run_tables(names.front(), options.table)) {
    RunOptions alone = options;
    alone.each_by_itself = true;
    return judge_each(names, alone, [&answers](const std::string&, const RunAnswer& answer) {
      answers.push_back(answer);
    });
  }
  auto answer = judge_run(*run.input, options);
  if (!answer) return tl::unexpected<Error>(answer.error());
  answers.push_back(std::move(*answer));
  return {};
}

std::vector<std::string> tables_within(const std::string& path, const TableOptions& table) {
  namespace fs = std::filesystem;
  constexpr int kDeepest = 12;                             // a link that leads back up must end
  std::map<std::string, std::vector<std::string>> tables;  // by folder
  std::set<std::string> with_frames;
  std::error_code error;
  constexpr auto kOptions = fs::directory_options::skip_permission_denied |
                            fs::directory_options::follow_directory_symlink;
  for (fs::recursive_directory_iterator entry(path, kOptions, error), end; !error && entry != end;
       entry.increment(error)) {
    if (entry.depth() >= kDeepest) entry.disable_recursion_pending();
    const std::string file = entry->path().string();
    const std::string folder = entry->path().parent_path().string();
    if (is_frame_name(file)) with_frames.insert(folder);
    if (is_table_name(file) && table_kind(file, table) != TableKind::unknown) {
      tables[folder].push_back(file);
    }
  }
  std::vector<std::string> found;
  for (const auto& [folder, files] : tables) {
    if (with_frames.count(folder) == 0) found.insert(found.end(), files.begin(), files.end());
  }
  return found;
}

}  // namespace

Result<std::vector<RunAnswer>> judge_runs(const std::vector<FoundRun>& runs,
                                          const RunOptions& options) {
  std::vector<RunAnswer> answers;
  for (const FoundRun& run : runs) {
    if (auto added = add_run(run, options, answers); !added) {
      return tl::unexpected<Error>(added.error());
    }
  }
  return answers;
}

Result<Found<RunInput>> find_run(const Settings& settings, const std::vector<std::string>& also) {
  auto input = find_run_input(settings.input.inputs, settings.table);
  if (!input) return tl::unexpected<Error>(input.error());
  auto paths = protected_paths_of(*input);
  add_named(also, paths);
  return Found<RunInput>{std::move(*input), std::move(paths)};
}

Found<std::vector<std::string>> named_inputs(const Settings& settings,
                                             const std::vector<std::string>& also) {
  auto paths = with_tables_within(settings.input.inputs, settings.table);
  add_named(also, paths);
  return {settings.input.inputs, std::move(paths)};
}

std::vector<std::string> with_tables_within(std::vector<std::string> names,
                                            const TableOptions& table) {
  const std::size_t named = names.size();
  for (std::size_t i = 0; i < named; ++i) {
    const auto tables = tables_within(names[i], table);
    names.insert(names.end(), tables.begin(), tables.end());
  }
  return names;
}

Found<std::vector<FoundRun>> find_runs(const std::vector<std::string>& inputs,
                                       const TableOptions& table) {
  Found<std::vector<FoundRun>> found{{}, inputs};
  for (const auto& names : runs_of(inputs)) {
    const FoundRun& run = found.input.emplace_back(FoundRun{names, find_run_input(names, table)});
    if (!run.input) continue;
    const auto paths = protected_paths_of(*run.input);
    found.protected_paths.insert(found.protected_paths.end(), paths.begin(), paths.end());
  }
  return found;
}

std::string name_of_run(const std::string& input) {
  std::filesystem::path path = std::filesystem::path(input).lexically_normal();
  if (!path.has_filename()) path = path.parent_path();
  return path.filename().string();
}

}  // namespace starwaist::tool
