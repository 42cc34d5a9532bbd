// starwaist diagnose: why a run failed and what to do about it.
#include <algorithm>
#include <map>

#include "run_command.h"
#include "starwaist/diagnosis.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist diagnose run-0203 --config rig.ini
      Can this run be used, what is wrong with it, and what to do.
  starwaist diagnose sizes.csv --f-number 5 --pixel-um 3.76 --um-per-step 2
      The same from a table of sizes; its columns stars, flux, temperature and time help.
  starwaist diagnose nights --each --json nights.jsonl
      Every run in a folder of run folders, one JSON a line; the count of causes at the end.
  starwaist diagnose --explain slack
      What a cause is, how it looks, how it is told apart and what to do. 'list' names them all.
Exit status: 0 best focus can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class DiagnoseCommand : public Command {
 public:
  DiagnoseCommand() : Command("diagnose", "Say why a run failed and what to do about it") {
    add_run_command_options(app(), options_);
    app().get_option("INPUT")->required(false);
    app()
        .add_option("--explain", explain_, "Print the page of a cause; 'list' names all causes")
        ->type_name("CAUSE")
        ->configurable(false);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (!explain_.empty()) return explain(streams);
    if (options_.input.inputs.empty()) {
      return report_failure(streams, Error{ErrorCode::invalid_argument, "no INPUT was given",
                                           "Name a folder of frames or a table, or --explain"});
    }
    const auto rig = checked(options_.rig);
    if (!rig) return report_failure(streams, rig.error());
    return options_.each ? run_each(*rig, streams) : run_one(*rig, streams);
  }

 private:
  int explain(const ToolStreams& streams) const {
    if (explain_ == "list") return print(explain_list(cause_pages()), streams);
    if (const auto page = cause_page(explain_)) return print(explain_text(*page), streams);
    std::string names;
    for (const CausePage& known : cause_pages()) names += (names.empty() ? "" : ", ") + known.cause;
    return report_failure(streams, Error{ErrorCode::invalid_argument,
                                         "--explain: '" + explain_ + "' is not a known cause",
                                         "Name one of " + names});
  }

  static int print(const std::string& text, const ToolStreams& streams) {
    if (auto written = write_output("-", text, {}, streams); !written) {
      return report_failure(streams, written.error());
    }
    return kTrusted;
  }

  int run_one(const Rig& rig, const ToolStreams& streams) const {
    const auto found = find_run_input(options_.input.inputs, options_.table);
    if (!found) return report_failure(streams, found.error());
    const auto protected_paths = protected_paths_of(*found);
    if (auto allowed = check_outputs({options_.common.json}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, options_.common.quiet);
    const RunOptions options = run_options_of(options_, rig, progress, streams);
    const auto diagnosis = diagnose_run(options_.input.inputs, options);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!diagnosis) return report_failure(streams, diagnosis.error());
    print_skipped(streams, diagnosis->run.skipped);
    if (!options_.common.json.empty()) {
      const auto json = diagnose_json(*diagnosis);
      if (!json) return report_failure(streams, json.error());
      if (auto written = write_output(options_.common.json, *json, protected_paths, streams);
          !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!options_.common.json_to_stdout()) {
      RunDiagnosis shown = *diagnosis;
      shown.run.skipped.clear();  // already named on standard error
      if (auto written = write_output("-", diagnose_text(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return status_of(*diagnosis);
  }

  int run_each(const Rig& rig, const ToolStreams& streams) const {
    if (auto allowed = check_outputs({options_.common.json}, options_.input.inputs); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, options_.common.quiet);
    const RunOptions options = run_options_of(options_, rig, progress, streams);
    LinesOutput lines(options_.common, streams);
    Summary summary;
    const auto done = diagnose_each(options_.input.inputs, options,
                                    [&](const std::string& name, const RunDiagnosis& diagnosis) {
                                      progress.wipe();
                                      print_skipped(streams, diagnosis.run.skipped);
                                      summary.add(diagnosis);
                                      lines.add(diagnose_json_line(name, diagnosis),
                                                diagnose_line(name, diagnosis));
                                    });
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!done) return report_failure(streams, done.error());
    if (auto finished = lines.finish(options_.input.inputs); !finished) {
      return report_failure(streams, finished.error());
    }
    if (!options_.common.quiet) summary.print(streams);
    return summary.not_trusted == 0 ? kTrusted : kNotTrusted;
  }

  static int status_of(const RunDiagnosis& diagnosis) {
    return diagnosis.run.fit.verdict == Verdict::trusted ? kTrusted : kNotTrusted;
  }

  // How many failed, of what.
  struct Summary {
    int runs = 0;
    int not_trusted = 0;
    int without_cause = 0;  // not trusted, and no cause found
    std::map<std::string, int> of_cause;

    void add(const RunDiagnosis& diagnosis) {
      ++runs;
      const bool failed = status_of(diagnosis) != kTrusted;
      not_trusted += failed ? 1 : 0;
      without_cause += failed && diagnosis.findings.empty() ? 1 : 0;
      for (const Finding& finding : diagnosis.findings) ++of_cause[finding.cause];
    }
    void print(const ToolStreams& streams) const {
      print_line(streams, std::to_string(not_trusted) + " of " + std::to_string(runs) +
                              " runs cannot be trusted as they are");
      std::vector<std::pair<std::string, int>> causes(of_cause.begin(), of_cause.end());
      std::stable_sort(causes.begin(), causes.end(),
                       [](const auto& a, const auto& b) { return a.second > b.second; });
      for (const auto& [cause, count] : causes) {
        print_line(streams, std::to_string(count) + " with " + cause);
      }
      if (without_cause > 0) {
        print_line(streams, std::to_string(without_cause) + " not trusted without a known cause");
      }
    }
  };

  RunCommandOptions options_;
  std::string explain_;
};

}  // namespace

std::unique_ptr<Command> make_diagnose_command() { return std::make_unique<DiagnoseCommand>(); }

}  // namespace starwaist::tool
