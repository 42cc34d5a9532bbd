// starwaist diagnose: why a run failed and what to do about it.
#include <algorithm>
#include <map>

#include "job.h"
#include "run_command.h"
#include "starwaist/diagnosis.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kDiagnoseExamples = R"(Examples:
  starwaist diagnose run-0203 --config rig.conf
      Can this run be used, what is wrong with it, and what to do.
  starwaist diagnose sizes.csv --f-number 5 --pixel-um 3.76 --um-per-step 2
      The same from a table of sizes; its columns stars, flux, temperature and time help.
  starwaist diagnose nights --each --json nights.jsonl
      Every run in a folder of run folders, one JSON a line; the count of causes at the end.
  starwaist diagnose --explain slack
      What a cause is, how it looks, how to distinguish it and what to do. 'list' names them all.
Exit status: 0 best focus can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

// How many runs failed, of what.
struct Summary {
  int runs = 0;
  int not_trusted = 0;
  int without_cause = 0;  // not trusted, and no cause found
  std::map<std::string, int> of_cause;

  void add(const RunAnswer& answer) {
    ++runs;
    const bool failed = status_of(answer.fit.verdict) != kTrusted;
    not_trusted += failed ? 1 : 0;
    without_cause += failed && answer.findings.empty() ? 1 : 0;
    for (const Finding& finding : answer.findings) ++of_cause[finding.cause];
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

class DiagnoseCommand : public Command {
 public:
  DiagnoseCommand()
      : Command({"diagnose", "Say why a run failed and what to do about it", kDiagnoseExamples}) {
    add_run_command_options(app(), settings_, curve_);
    app().get_option("INPUT")->required(false);
    add_path(app(), "--explain", explain_, "Print the page of a cause; 'list' names all causes",
             "CAUSE")
        ->configurable(false);
  }

  int run(const ToolStreams& streams) override {
    if (!explain_.empty()) return explain(streams);
    if (settings_.input.inputs.empty()) {
      return report_failure(streams, Error{ErrorCode::invalid_argument, "no INPUT was given",
                                           "Name a folder of frames or a table, or --explain"});
    }
    return curve_.each ? run_each(streams) : run_job(one_run(), settings_, streams);
  }

 private:
  int explain(const ToolStreams& streams) const {
    const TextOptions options = text_options(settings_.common, streams);
    if (explain_ == "list") return print(explain_list(cause_pages(), options), streams);
    if (const auto page = cause_page(explain_)) return print(explain_text(*page, options), streams);
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

  [[nodiscard]] Job<RunInput, RunAnswer> one_run() const {
    return {.find = [this] { return find_run(settings_); },
            .work = [this](const RunInput& input, Work& work) { return diagnose(input, work); },
            .json = diagnose_json,
            .text = shown,
            .short_line = short_line,
            .status = [](const RunAnswer& found) { return status_of(found.fit.verdict); }};
  }

  [[nodiscard]] Result<RunAnswer> diagnose(const RunInput& input, Work& work) const {
    use_curve_options(curve_, work.options);
    auto answer = judge_run(input, work.options);
    if (answer) work.skipped = answer->skipped;
    return answer;
  }

  static std::string shown(RunAnswer answer, const TextOptions& options) {
    answer.skipped.clear();  // already named on standard error
    return diagnose_text(answer, options);
  }

  int run_each(const ToolStreams& streams) const {
    Summary summary;
    const int status =
        run_lines({.inputs = settings_.input.inputs,
                   .work = [&](Work& work,
                               LinesOutput& lines) { return diagnose_many(work, lines, summary); }},
                  settings_, streams);
    const bool done = status == kTrusted || status == kNotTrusted;
    if (done && !settings_.common.quiet) summary.print(streams);
    return status;
  }

  Result<int> diagnose_many(Work& work, LinesOutput& lines, Summary& summary) const {
    use_curve_options(curve_, work.options);
    const auto done =
        judge_each(settings_.input.inputs, work.options,
                   [&](const std::string& name, const RunAnswer& answer) {
                     summary.add(answer);
                     lines.add(diagnose_json_line(name, answer),
                               settings_.common.one_line ? named_short_line(name, answer)
                                                         : diagnose_line(name, answer),
                               answer.skipped);
                   });
    if (!done) return tl::unexpected<Error>(done.error());
    return summary.not_trusted == 0 ? kTrusted : kNotTrusted;
  }

  CurveOptions curve_;
  std::string explain_;
};

}  // namespace

std::unique_ptr<Command> make_diagnose_command() { return std::make_unique<DiagnoseCommand>(); }

}  // namespace starwaist::tool
