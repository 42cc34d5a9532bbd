// What the commands of the program have in common.
#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "starwaist/error.h"
#include "starwaist/limits.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"
#include "starwaist/terms.h"
#include "starwaist_tool.h"

namespace starwaist::tool {

// "starwaist: file: what. remedy", one line.
void print_error(const ToolStreams& streams, const Error& error);
void print_line(const ToolStreams& streams, const std::string& message);

// 2 for a value that the user gave and that cannot be used, 3 for the rest.
int exit_status_of(const Error& error);

// 0 where the answer can be trusted, else 1.
int status_of(Verdict verdict);

// Prints the error and returns its status.
int report_failure(const ToolStreams& streams, const Error& error);

// Options shared by the commands, each declared in one place.

// A number within limits, checked when it is read; the message names the option.
// What a target holds beforehand is its default; the help shows it, in brackets, by itself.
CLI::Option* add_number(CLI::App& app, const std::string& option, std::optional<double>& target,
                        const NumberLimits& limits, const std::string& help);
CLI::Option* add_number(CLI::App& app, const std::string& option, double& target,
                        const NumberLimits& limits, const std::string& help);
CLI::Option* add_integer(CLI::App& app, const std::string& option, int& target, int low, int high,
                         const std::string& help);
// A file or folder by its name.
CLI::Option* add_path(CLI::App& app, const std::string& option, std::string& target,
                      const std::string& help, const std::string& type = "FILE");
// One of few words, read without regard to case; `words`: as in "hfr or fwhm".
template <class Target, class FromName>
CLI::Option* add_choice(CLI::App& app, const std::string& option, Target& target,
                        FromName from_name, const std::string& words, const std::string& help,
                        const std::string& type = "NAME") {
  return app
      .add_option(
          option,
          [&target, from_name, option, words](const CLI::results_t& values) {
            const auto chosen = from_name(lower_case(values.front()));
            if (!chosen) {
              throw CLI::ValidationError(option, "'" + values.front() + "' is not " + words);
            }
            target = *chosen;
            return true;
          },
          help)
      ->type_name(type);
}

struct CommonOptions {
  std::string json;  // "-": standard output; empty: none
  bool quiet = false;
  bool one_line = false;  // --short
  int threads = 0;
  std::vector<std::string> config;  // files of options
  [[nodiscard]] bool json_to_stdout() const { return json == "-"; }
};
void add_common_options(CLI::App& app, CommonOptions& options);
// --short, of commands whose answer has a wording in one line.
void add_short_option(CLI::App& app, CommonOptions& options);

void add_rig_options(CLI::App& app, Rig& rig);

// Input, header keywords, region and channel: what both measure and fit read frames by.
struct InputOptions {
  std::vector<std::string> inputs;
  FrameReadOptions read;
  std::optional<Region> region;
  std::optional<ColorChannel> channel;
  std::vector<std::string> darks;
};
void add_input_options(CLI::App& app, InputOptions& options);

// --column COLUMN=NAME, which may be repeated. `known`: the columns that can be named; empty: any.
// `example`: as in "hfr=HalfFlux".
void add_column_option(CLI::App& app, TableOptions& table, std::vector<std::string> known,
                       const std::string& example);
// The same with the columns of a table of sizes.
void add_table_options(CLI::App& app, TableOptions& table);

// A line on a terminal that is redrawn and wiped; silent elsewhere and under --quiet.
class ProgressLine {
 public:
  ProgressLine(const ToolStreams& streams, bool quiet);
  ~ProgressLine() { wipe(); }
  ProgressLine(const ProgressLine&) = delete;
  ProgressLine& operator=(const ProgressLine&) = delete;
  void show(int done, int total);
  void wipe();

 private:
  const ToolStreams& streams_;
  bool active_;
  std::size_t drawn_ = 0;
};

// The options that many commands share; each command adds those that it has.
struct Settings {
  InputOptions input;
  CommonOptions common;
  TableOptions table;
  Rig rig;
};

// RunOptions of them, with progress and interrupt joined to the streams; `rig` is the checked one.
// Errors: those of the darks.
Result<RunOptions> run_options_of(const Settings& settings, const Rig& rig, ProgressLine& progress,
                                  const ToolStreams& streams);

// One command: its options on an App of its own, and what it does once they are read.
class Command {
 public:
  struct Words {
    std::string name;
    std::string summary;
    std::string examples;  // and the exit statuses: the end of its help
  };
  explicit Command(const Words& words);
  virtual ~Command() = default;
  Command(const Command&) = delete;
  Command& operator=(const Command&) = delete;

  [[nodiscard]] const std::string& name() const { return name_; }
  [[nodiscard]] const std::string& summary() const { return summary_; }
  CLI::App& app() { return app_; }
  [[nodiscard]] const CLI::App& app() const { return app_; }
  // The files of options that were named; known once the options were looked at.
  [[nodiscard]] std::vector<std::string> config_files() const {
    const CLI::Option* option = app_.get_config_ptr();
    return option == nullptr || option->count() == 0 ? std::vector<std::string>()
                                                     : option->results();
  }
  void note_config_files() { settings_.common.config = config_files(); }
  // Called after the options were read without an error. Returns the exit status.
  virtual int run(const ToolStreams& streams) = 0;

 protected:
  Settings settings_;

 private:
  std::string name_;
  std::string summary_;
  CLI::App app_;
};

std::unique_ptr<Command> make_measure_command();
std::unique_ptr<Command> make_fit_command();
std::unique_ptr<Command> make_diagnose_command();
std::unique_ptr<Command> make_watch_command();
std::unique_ptr<Command> make_drift_command();
std::unique_ptr<Command> make_night_command();
std::unique_ptr<Command> make_log_command();
std::unique_ptr<Command> make_field_command();
std::unique_ptr<Command> make_report_command();
std::unique_ptr<Command> make_render_command();
std::unique_ptr<Command> make_plan_command();
std::unique_ptr<Command> make_backlash_command();

// The first of the named outputs that could not be written, or two that are the same file. Empty
// names and "-" are passed over.
Result<void> check_outputs(const std::vector<std::string>& outputs,
                           const std::vector<std::string>& protected_paths);

// Writes `text` to the file, or to standard output for "-".
Result<void> write_output(const std::string& path, const std::string& text,
                          const std::vector<std::string>& protected_paths,
                          const ToolStreams& streams);

// Skipped files on standard error, one line each; not silenced by --quiet.
void print_skipped(const ToolStreams& streams, const std::vector<SkippedFile>& skipped);

bool is_interrupted(const ToolStreams& streams);
int report_interrupt(
    const ToolStreams& streams,
    const std::string& words = "interrupted; outputs that were not finished are absent");

}  // namespace starwaist::tool
