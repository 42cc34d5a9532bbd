// The course that every command takes: check what was named, find the input, guard the outputs,
// work with progress, heed an interrupt, name what was skipped, write. A command describes what is
// its own in a Job and hands it to run_job.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "command.h"
#include "run_inputs.h"
#include "starwaist/error.h"
#include "starwaist/report.h"
#include "starwaist/run.h"

namespace starwaist::tool {

// A file that a command writes beside --json.
struct OutputName {
  enum class Kind {
    file,    // may be "-", standard output
    figure,  // its name ends in .png or .svg; gnuplot draws it
    other,   // a folder or a ledger, which may be there already
  };
  std::string option;  // as in "--csv"
  std::string path;    // empty: not asked for
  Kind kind = Kind::file;
};

// Where outputs go, and what they may not replace.
struct Writer {
  const std::vector<std::string>& protected_paths;
  const ToolStreams& streams;
  // To the file, or to standard output for "-".
  [[nodiscard]] Result<void> text(const std::string& path, const std::string& text) const {
    return write_output(path, text, protected_paths, streams);
  }
};

template <class Answer>
struct OutputFile {
  OutputName name;
  std::function<Result<void>(const Answer&, const Writer&)> write;
};

// What the course lends to the work of a command.
struct Work {
  RunOptions options;  // of the shared options, with progress and interrupt joined to the streams
  ProgressLine& progress;
  const ToolStreams& streams;
  std::vector<SkippedFile> skipped;  // filled by the work, named on standard error after it
};

template <class Input, class Answer>
struct Job {
  bool checks_rig = true;
  // Options that contradict each other, before any file is looked at.
  std::function<Result<void>()> check = [] { return Result<void>(); };
  std::function<Result<Found<Input>>()> find;
  // In the order in which they are written.
  std::vector<OutputFile<Answer>> outputs = {};
  // What else must hold before the work, once the input is found.
  std::function<Result<void>()> ready = [] { return Result<void>(); };
  std::function<Result<Answer>(const Input&, Work&)> work;
  // Said when the work was interrupted.
  std::function<std::string()> interrupted_words = {};
  std::function<Result<std::string>(const Answer&)> json;
  std::function<std::string(const Answer&, const TextOptions&)> text;
  std::function<std::string(const Answer&)> short_line = {};  // of commands that have --short
  std::function<int(const Answer&)> status;
};

// Text of many runs, one a line: to standard output as they come, to the file whole at the end.
class LinesOutput {
 public:
  LinesOutput(const CommonOptions& common, const std::vector<std::string>& protected_paths,
              ProgressLine& progress, const ToolStreams& streams)
      : common_(common),
        protected_paths_(protected_paths),
        progress_(progress),
        streams_(streams) {}
  // `skipped` is named on standard error first.
  void add(const Result<std::string>& json, const std::string& text,
           const std::vector<SkippedFile>& skipped = {});
  // Words beside the lines; not where standard output belongs to JSON.
  void say(const std::string& text);
  // For what the work writes beside the lines.
  [[nodiscard]] Writer writer() const { return {protected_paths_, streams_}; }
  // Only the first call does anything. Errors: the first of a run's JSON, cannot_write.
  Result<void> finish();

 private:
  const CommonOptions& common_;
  const std::vector<std::string>& protected_paths_;
  ProgressLine& progress_;
  const ToolStreams& streams_;
  std::string lines_;
  std::optional<Error> failure_;
  bool finished_ = false;
};

// The same for answers that come line by line: of many runs, or while frames arrive.
struct LinesJob {
  std::function<Result<void>()> check = [] { return Result<void>(); };
  std::vector<std::string> inputs;       // what no output may replace
  std::vector<OutputName> outputs = {};  // beside --json; the work writes them
  bool shows_progress = true;
  // Gives the exit status. Lines that shall be kept even after an interrupt it finishes itself.
  std::function<Result<int>(Work&, LinesOutput&)> work;
};

// How the streams and --quiet want an answer laid out.
TextOptions text_options(const CommonOptions& common, const ToolStreams& streams);

// The stages that need not know what is answered.
Result<void> check_output_names(const CommonOptions& common, const std::vector<OutputName>& names);
// What no output may replace: the inputs and the file of options.
std::vector<std::string> guarded_paths(const Settings& settings, std::vector<std::string> inputs);
Result<void> check_output_files(const CommonOptions& common, const std::vector<OutputName>& names,
                                const std::vector<std::string>& protected_paths);
// Errors: those of run_options_of.
Result<Work> begun(const Settings& settings, const Rig& rig, ProgressLine& progress,
                   const ToolStreams& streams);
// --json, then the text, unless something else has standard output for itself.
Result<void> write_answer(const CommonOptions& common, const std::vector<OutputName>& names,
                          const std::string& json, const std::function<std::string()>& text,
                          const Writer& writer);

template <class Input, class Answer>
Result<int> status_of_job(const Job<Input, Answer>& job, const Settings& settings,
                          const ToolStreams& streams) {
  std::vector<OutputName> names;
  for (const auto& output : job.outputs) names.push_back(output.name);
  const auto named = check_output_names(settings.common, names).and_then(job.check);
  if (!named) return tl::unexpected<Error>(named.error());
  const auto rig = job.checks_rig ? checked(settings.rig) : settings.rig;
  if (!rig) return tl::unexpected<Error>(rig.error());
  const auto found = job.find();
  if (!found) return tl::unexpected<Error>(found.error());
  const auto guarded = guarded_paths(settings, found->protected_paths);
  const auto allowed = check_output_files(settings.common, names, guarded).and_then(job.ready);
  if (!allowed) return tl::unexpected<Error>(allowed.error());

  ProgressLine progress(streams, settings.common.quiet);
  auto begin = begun(settings, *rig, progress, streams);
  if (!begin) return tl::unexpected<Error>(begin.error());
  Work& work = *begin;
  const auto answer = job.work(found->input, work);
  progress.wipe();
  if (is_interrupted(streams)) {
    return job.interrupted_words ? report_interrupt(streams, job.interrupted_words())
                                 : report_interrupt(streams);
  }
  print_skipped(streams, work.skipped);
  if (!answer) return tl::unexpected<Error>(answer.error());

  const auto json = job.json(*answer);
  if (!json) return tl::unexpected<Error>(json.error());
  const Writer writer{guarded, streams};
  for (const auto& output : job.outputs) {
    if (output.name.path.empty()) continue;
    if (auto written = output.write(*answer, writer); !written) {
      // An interrupt also ends the programs that this one started.
      if (is_interrupted(streams)) return report_interrupt(streams);
      return tl::unexpected<Error>(written.error());
    }
  }
  const auto written = write_answer(
      settings.common, names, *json,
      [&] {
        return settings.common.one_line ? job.short_line(*answer)
                                        : job.text(*answer, text_options(settings.common, streams));
      },
      writer);
  if (!written) return tl::unexpected<Error>(written.error());
  return job.status(*answer);
}

// Returns the exit status.
template <class Input, class Answer>
int run_job(const Job<Input, Answer>& job, const Settings& settings, const ToolStreams& streams) {
  const auto status = status_of_job(job, settings, streams);
  return status ? *status : report_failure(streams, status.error());
}

int run_lines(const LinesJob& job, const Settings& settings, const ToolStreams& streams);

}  // namespace starwaist::tool
