// Options of the commands that take a whole run to its best focus: fit and diagnose.
#pragma once

#include <string>
#include <utility>

#include "command.h"
#include "starwaist/curve.h"
#include "starwaist/run.h"

namespace starwaist::tool {

struct RunCommandOptions {
  InputOptions input;
  CommonOptions common;
  Rig rig;
  FitOptions fit;
  TableOptions table;
  std::optional<SizeMeasure> size;
  bool each = false;
};

// Input, --json and the like, --model, --size, --column, --each and the rig.
void add_run_command_options(CLI::App& app, RunCommandOptions& options);

// RunOptions of them; `rig` is the checked one.
RunOptions run_options_of(const RunCommandOptions& options, const Rig& rig, ProgressLine& progress,
                          const ToolStreams& streams);

// Text of many runs, one a line: to standard output as they come, to the file whole at the end.
class LinesOutput {
 public:
  LinesOutput(const CommonOptions& common, const ToolStreams& streams)
      : common_(common), streams_(streams) {}
  void add(const Result<std::string>& json, const std::string& text);
  // Errors: the first of a run's JSON, cannot_write.
  Result<void> finish(const std::vector<std::string>& protected_paths);

 private:
  const CommonOptions& common_;
  const ToolStreams& streams_;
  std::string lines_;
  std::optional<Error> failure_;
};

}  // namespace starwaist::tool
