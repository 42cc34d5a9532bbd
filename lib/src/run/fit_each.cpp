#include <algorithm>
#include <filesystem>
#include <system_error>

#include "run/folder.h"
#include "run/record_table.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

// The answer of a run that could not be read or fitted.
RecordedRun refused(const Error& error, const RunOptions& options) {
  RecordedRun answer;
  if (auto fit = fit_curve({}, options.rig, options.fit)) answer.record.fit = std::move(*fit);
  answer.record.fit.reasons = {error.text()};
  answer.record.rig = options.rig;
  return answer;
}

Result<void> stopped(const RunOptions& options) {
  if (options.stop && options.stop()) return fail(ErrorCode::interrupted, "interrupted");
  return {};
}

using Consume = std::function<void(const std::string&, const RecordedRun&)>;

Result<void> each_of_table(const std::string& path, const RunOptions& options,
                           const Consume& consume) {
  auto tables = read_run_tables(path, options.table);
  if (!tables) return tl::unexpected<Error>(tables.error());
  int done = 0;
  for (NamedTable& named : *tables) {
    if (auto go_on = stopped(options); !go_on) return go_on;
    std::vector<SkippedFile> skipped = named.table.skipped;
    const auto answer = run_detail::record_table(std::move(named.table), options);
    if (answer) {
      consume(named.run, *answer);
    } else {
      RecordedRun none = refused(answer.error(), options);
      none.skipped = std::move(skipped);
      consume(named.run, none);
    }
    if (options.progress) options.progress(++done, static_cast<int>(tables->size()));
  }
  return {};
}

Result<std::vector<fs::path>> run_folders(const std::string& folder) {
  const auto entries = run_detail::visible_entries(folder);
  if (!entries) return tl::unexpected<Error>(entries.error());
  std::vector<fs::path> folders;
  for (const fs::directory_entry& entry : *entries) {
    std::error_code ignored;
    if (entry.is_directory(ignored)) folders.push_back(entry.path());
  }
  if (folders.empty()) {
    return fail(ErrorCode::no_data, folder + ": the folder holds no run folders",
                "Name a folder whose folders are runs, or leave out --each");
  }
  run_detail::sort_naturally(folders);
  return folders;
}

Result<void> each_of_folder(const std::string& folder, const RunOptions& options,
                            const Consume& consume) {
  const auto folders = run_folders(folder);
  if (!folders) return tl::unexpected<Error>(folders.error());
  for (const fs::path& run : *folders) {
    if (auto go_on = stopped(options); !go_on) return go_on;
    const auto answer = record_run({run.string()}, options);
    if (!answer && answer.error().code == ErrorCode::interrupted) {
      return tl::unexpected<Error>(answer.error());
    }
    consume(run.filename().string(), answer ? *answer : refused(answer.error(), options));
  }
  return {};
}

Result<void> record_each(const std::vector<std::string>& inputs, const RunOptions& options,
                         const Consume& consume) {
  if (inputs.empty()) {
    return fail(ErrorCode::no_data, "no input was given",
                "Name a folder of run folders or a table with a column 'run'");
  }
  for (const std::string& input : inputs) {
    std::error_code error;
    const fs::file_status status = fs::status(input, error);
    if (!fs::exists(status)) {
      return fail(ErrorCode::not_found, input + ": no such file or folder", "Check the name");
    }
    auto done = fs::is_directory(status) ? each_of_folder(input, options, consume)
                                         : each_of_table(input, options, consume);
    if (!done) return done;
  }
  return {};
}

}  // namespace

Result<void> fit_each(const std::vector<std::string>& inputs, const RunOptions& options,
                      const std::function<void(const std::string&, const RunFit&)>& consume) {
  return record_each(inputs, options, [&](const std::string& name, const RecordedRun& run) {
    consume(name, fit_of(run));
  });
}

Result<void> diagnose_each(
    const std::vector<std::string>& inputs, const RunOptions& options,
    const std::function<void(const std::string&, const RunDiagnosis&)>& consume) {
  RunOptions closer = options;
  closer.field = true;
  return record_each(inputs, closer, [&](const std::string& name, const RecordedRun& run) {
    consume(name, diagnosis_of(run));
  });
}

}  // namespace starwaist
