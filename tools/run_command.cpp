// The options that fit and diagnose share.
#include "run_command.h"

#include "starwaist/numbers.h"

namespace starwaist::tool {

void add_run_command_options(CLI::App& app, RunCommandOptions& options) {
  add_input_options(app, options.input);
  add_common_options(app, options.common);
  app.add_option(
         "--model",
         [&options](const CLI::results_t& values) {
           options.fit.model = enum_from_name<CurveModel>(lower_case(values.front()));
           if (!options.fit.model) {
             throw CLI::ValidationError(
                 "--model", "'" + values.front() + "' is not hyperbola, parabola or blur");
           }
           return true;
         },
         "Only this curve decides: hyperbola, parabola or blur [weighted by how well they fit]")
      ->type_name("NAME");
  app.add_option(
         "--size",
         [&options](const CLI::results_t& values) {
           options.size = enum_from_name<SizeMeasure>(lower_case(values.front()));
           if (!options.size) {
             throw CLI::ValidationError("--size", "'" + values.front() + "' is not hfr or fwhm");
           }
           return true;
         },
         "Size that is fitted: hfr (half-flux radius) or fwhm [hfr; of a table, what it has]")
      ->type_name("NAME");
  add_table_options(app, options.table);
  app.add_flag(
      "--each", options.each,
      "INPUT holds many runs: a folder of run folders, or a table with a column 'run' (and "
      "'telescope' where they are of several)");
  add_rig_options(app, options.rig);
}

RunOptions run_options_of(const RunCommandOptions& options, const Rig& rig, ProgressLine& progress,
                          const ToolStreams& streams) {
  RunOptions run = run_options_of(options.common, options.input, rig, progress, streams);
  run.table = options.table;
  run.table.size = options.size;
  run.fit = options.fit;
  run.fit.size = options.size.value_or(SizeMeasure::hfr);
  return run;
}

void LinesOutput::add(const Result<std::string>& json, const std::string& text) {
  if (!json) {
    if (!failure_) failure_ = json.error();
  } else if (common_.json_to_stdout()) {
    streams_.out << *json << std::flush;
  } else {
    lines_ += *json;
  }
  if (!common_.json_to_stdout()) streams_.out << text << std::flush;
}

Result<void> LinesOutput::finish(const std::vector<std::string>& protected_paths) {
  if (failure_) return tl::unexpected<Error>(*failure_);
  if (!streams_.out) {
    return fail(ErrorCode::cannot_write, "standard output: cannot be written",
                "Name a file with --json");
  }
  if (common_.json.empty() || common_.json_to_stdout()) return {};
  return write_output(common_.json, lines_, protected_paths, streams_);
}

}  // namespace starwaist::tool
