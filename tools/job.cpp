#include "job.h"

#include <string_view>

#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

bool takes_standard_output(const OutputName& name) {
  return name.kind == OutputName::Kind::file && name.path == "-";
}

}  // namespace

TextOptions text_options(const CommonOptions& common, const ToolStreams& streams) {
  return {.width = streams.width, .details = !common.quiet};
}

Result<void> check_output_names(const CommonOptions& common, const std::vector<OutputName>& names) {
  for (const OutputName& name : names) {
    if (name.kind == OutputName::Kind::figure && !name.path.empty() && !figure_format(name.path)) {
      return fail(ErrorCode::invalid_argument,
                  name.option + ": '" + name.path + "' ends neither in .png nor .svg",
                  "End the name in .png or .svg");
    }
    if (common.json_to_stdout() && takes_standard_output(name)) {
      return fail(ErrorCode::invalid_argument,
                  "--json and " + name.option + " both go to standard output",
                  "Name a file for one of them");
    }
  }
  return {};
}

std::vector<std::string> guarded_paths(const Settings& settings, std::vector<std::string> inputs) {
  inputs.insert(inputs.end(), settings.common.config.begin(), settings.common.config.end());
  inputs.insert(inputs.end(), settings.input.darks.begin(), settings.input.darks.end());
  return inputs;
}

Result<void> check_output_files(const CommonOptions& common, const std::vector<OutputName>& names,
                                const std::vector<std::string>& protected_paths) {
  std::vector<std::string> paths = {common.json};
  bool draws = false;
  for (const OutputName& name : names) {
    if (name.kind != OutputName::Kind::other) paths.push_back(name.path);
    draws = draws || (name.kind == OutputName::Kind::figure && !name.path.empty());
  }
  if (auto allowed = check_outputs(paths, protected_paths); !allowed) return allowed;
  return draws ? check_gnuplot() : Result<void>();
}

Result<Work> begun(const Settings& settings, const Rig& rig, ProgressLine& progress,
                   const ToolStreams& streams) {
  auto options = run_options_of(settings, rig, progress, streams);
  if (!options) return tl::unexpected<Error>(options.error());
  return Work{std::move(*options), progress, streams, {}};
}

Result<void> write_answer(const CommonOptions& common, const std::vector<OutputName>& names,
                          const std::string& json, const std::function<std::string()>& text,
                          const Writer& writer) {
  if (!common.json.empty()) {
    if (auto written = writer.text(common.json, json); !written) return written;
  }
  bool taken = common.json_to_stdout();
  for (const OutputName& name : names) taken = taken || takes_standard_output(name);
  return taken ? Result<void>() : writer.text("-", text());
}

void LinesOutput::add(const Result<std::string>& json, const std::string& text,
                      const std::vector<SkippedFile>& skipped) {
  progress_.wipe();
  print_skipped(streams_, skipped);
  if (!json) {
    if (!failure_) failure_ = json.error();
  } else if (common_.json_to_stdout()) {
    streams_.out << *json << std::flush;
  } else {
    lines_ += *json;
  }
  say(text);
}

void LinesOutput::say(const std::string& text) {
  if (!common_.json_to_stdout()) streams_.out << text << std::flush;
}

Result<void> LinesOutput::finish() {
  if (finished_) return {};
  finished_ = true;
  if (failure_) return tl::unexpected<Error>(*failure_);
  if (!streams_.out) {
    return fail(ErrorCode::cannot_write, "standard output: cannot be written",
                "Name a file with --json");
  }
  if (common_.json.empty() || common_.json_to_stdout()) return {};
  return write_output(common_.json, lines_, protected_paths_, streams_);
}

int run_lines(const LinesJob& job, const Settings& settings, const ToolStreams& streams) {
  const auto named = check_output_names(settings.common, job.outputs).and_then(job.check);
  if (!named) return report_failure(streams, named.error());
  const auto rig = checked(settings.rig);
  if (!rig) return report_failure(streams, rig.error());
  const auto guarded = guarded_paths(settings, with_tables_within(job.inputs, settings.table));
  if (auto allowed = check_output_files(settings.common, job.outputs, guarded); !allowed) {
    return report_failure(streams, allowed.error());
  }
  ProgressLine progress(streams, settings.common.quiet || !job.shows_progress);
  auto begin = begun(settings, *rig, progress, streams);
  if (!begin) return report_failure(streams, begin.error());
  Work& work = *begin;
  LinesOutput lines(settings.common, guarded, progress, streams);
  auto status = job.work(work, lines);
  progress.wipe();
  // What cannot be written is said even then: an interrupt is how following a folder ends.
  const bool unwritten = !status && status.error().code == ErrorCode::cannot_write;
  if (is_interrupted(streams) && !unwritten) return report_interrupt(streams);
  if (status) {
    if (auto finished = lines.finish(); !finished) status = tl::unexpected<Error>(finished.error());
  }
  return status ? *status : report_failure(streams, status.error());
}

}  // namespace starwaist::tool
