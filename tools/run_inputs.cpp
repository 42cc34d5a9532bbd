#include "run_inputs.h"

#include <filesystem>

#include "starwaist/numbers.h"

namespace starwaist::tool {

namespace {

namespace fs = std::filesystem;

bool is_folder(const std::string& path) {
  std::error_code ignored;
  return fs::is_directory(path, ignored);
}

bool is_table(const std::string& path) {
  return lower_case(fs::path(path).extension().string()) == ".csv";
}

// A run of which nothing could be fitted stops the work with its error.
Result<void> add_run(const std::vector<std::string>& run, const RunOptions& options,
                     std::vector<RunFit>& answers) {
  if (run.size() == 1 && is_table(run.front()) && read_run_tables(run.front(), options.table)) {
    RunOptions alone = options;
    alone.each_by_itself = true;
    return fit_each(run, alone, [&answers](const std::string&, const RunFit& answer) {
      answers.push_back(answer);
    });
  }
  auto answer = fit_run(run, options);
  if (!answer) return tl::unexpected<Error>(answer.error());
  answers.push_back(std::move(*answer));
  return {};
}

}  // namespace

std::vector<std::vector<std::string>> runs_of(const std::vector<std::string>& inputs) {
  bool loose_frames = false;
  for (const std::string& input : inputs) {
    loose_frames = loose_frames || (!is_folder(input) && !is_table(input));
  }
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

Result<std::vector<RunFit>> fit_runs(const std::vector<std::string>& inputs,
                                     const RunOptions& options) {
  std::vector<RunFit> answers;
  for (const auto& run : runs_of(inputs)) {
    if (auto added = add_run(run, options, answers); !added) {
      return tl::unexpected<Error>(added.error());
    }
  }
  return answers;
}

std::vector<std::string> protected_paths_of(const std::vector<std::string>& inputs,
                                            const TableOptions& table) {
  std::vector<std::string> paths = inputs;
  for (const auto& run : runs_of(inputs)) {
    const auto found = find_run_input(run, table);
    if (!found) continue;  // told when it is read
    const auto more = protected_paths_of(*found);
    paths.insert(paths.end(), more.begin(), more.end());
  }
  return paths;
}

}  // namespace starwaist::tool
