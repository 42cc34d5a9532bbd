#include "run_inputs.h"

namespace starwaist::tool {

namespace {

// A run of which nothing could be fitted stops the work with its error.
Result<void> add_run(const std::vector<std::string>& run, const RunOptions& options,
                     std::vector<RunFit>& answers) {
  if (run.size() == 1 && is_table_name(run.front()) &&
      read_run_tables(run.front(), options.table)) {
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
