// starwaist backlash: the focuser's slack from sweeps in opposite directions.
#include "command.h"
#include "run_inputs.h"
#include "starwaist/backlash.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist backlash in-1 out in-2 --config rig.conf
      Slack from three sweeps over the same range, inward, outward, inward: the third tells slack
      from focus that drifts meanwhile.
  starwaist backlash both-ways.csv
      One record with the reversal inside, rows in the order taken.
  starwaist backlash in out --verify later
      Is the slack gone in a run that was taken with the proposed take-up?
Switch the capture program's own slack compensation off for the sweeps. A focuser driven against
its stop can be damaged: keep the sweeps and the take-up within its limits; the maker's manual
goes first.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

void add_direction(CLI::App& app, const std::string& option, std::optional<Direction>& target,
                   const std::string& help) {
  app.add_option(
         option,
         [&target, option](const CLI::results_t& values) {
           target = enum_from_name<Direction>(lower_case(values.front()));
           if (!target) {
             throw CLI::ValidationError(option,
                                        "'" + values.front() + "' is not outward or inward");
           }
           return true;
         },
         help)
      ->type_name("DIRECTION");
}

class BacklashCommand : public Command {
 public:
  BacklashCommand() : Command("backlash", "The focuser's slack, and how to take it up") {
    add_input_options(app(), input_);
    add_common_options(app(), common_);
    add_table_options(app(), table_);
    app()
        .add_option("--verify", verify_,
                    "A later run taken with the proposed take-up: is any slack left?")
        ->type_name("INPUT")
        ->expected(1)
        ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll)
        ->configurable(false);
    add_direction(app(), "--final-direction", options_.final_direction,
                  "Direction of the last move, outward or inward [against gravity]");
    add_direction(app(), "--lifts", options_.lifting,
                  "Direction that lifts the load when the telescope points up [inward]");
    add_number(app(), "--altitude-deg", options_.altitude_deg, {-90, 90, false, false},
               "Altitude at which the telescope points");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    const auto checked_rig = checked(rig_);
    if (!checked_rig) return report_failure(streams, checked_rig.error());
    auto all_inputs = input_.inputs;
    all_inputs.insert(all_inputs.end(), verify_.begin(), verify_.end());
    const auto protected_paths = protected_paths_of(all_inputs, table_);
    if (auto allowed = check_outputs({common_.json}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, common_.quiet);
    Rig rig = *checked_rig;
    RunOptions options = run_options_of(common_, input_, rig, progress, streams);
    options.table = table_;
    std::vector<SkippedFile> skipped;
    const auto records = read_records(input_.inputs, options, rig, skipped);
    Result<std::vector<SweepRecord>> later = std::vector<SweepRecord>{};
    if (records && !verify_.empty()) later = read_records(verify_, options, rig, skipped);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!records) return report_failure(streams, records.error());
    if (!later) return report_failure(streams, later.error());
    print_skipped(streams, skipped);
    auto result = measure_backlash(*records, rig, options_);
    if (!result) return report_failure(streams, result.error());
    if (!verify_.empty()) {
      if (auto verified = verify_takeup(*later, rig, *result); !verified) {
        return report_failure(streams, verified.error());
      }
    }
    const auto json = backlash_json(*result, skipped);
    if (!json) return report_failure(streams, json.error());
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json_to_stdout()) {
      BacklashResult shown = *result;
      if (common_.quiet) shown.notes.clear();
      if (auto written = write_output("-", backlash_text(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return result->verdict == Verdict::trusted ? kTrusted : kNotTrusted;
  }

 private:
  static Result<std::vector<SweepRecord>> read_records(const std::vector<std::string>& inputs,
                                                       const RunOptions& options, Rig& rig,
                                                       std::vector<SkippedFile>& skipped) {
    auto runs = fit_runs(inputs, options);
    if (!runs) return tl::unexpected<Error>(runs.error());
    std::vector<SweepRecord> records;
    for (RunFit& run : *runs) {
      rig = completed(rig, run.rig);
      skipped.insert(skipped.end(), run.skipped.begin(), run.skipped.end());
      records.push_back(std::move(run.fit.points));
    }
    return records;
  }

  InputOptions input_;
  CommonOptions common_;
  TableOptions table_;
  Rig rig_;
  BacklashOptions options_;
  std::vector<std::string> verify_;
};

}  // namespace

std::unique_ptr<Command> make_backlash_command() { return std::make_unique<BacklashCommand>(); }

}  // namespace starwaist::tool
