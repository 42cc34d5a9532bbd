// starwaist backlash: the focuser's slack from sweeps in opposite directions.
#include "job.h"
#include "starwaist/backlash.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kBacklashExamples = R"(Examples:
  starwaist backlash in-1 out in-2 --config rig.conf
      Slack from three sweeps over the same range, inward, outward, inward: the third distinguishes
      slack from focus that drifts meanwhile.
  starwaist backlash both-ways.csv
      One record with the reversal inside, rows in the order taken.
  starwaist backlash in out --verify later
      Is the slack gone in a run that was taken with the proposed take-up?
Switch the capture program's own slack compensation off for the sweeps. A focuser driven against
its stop can be damaged: keep the sweeps and the take-up within its limits; the maker's manual
goes first.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

using Runs = std::vector<FoundRun>;

struct BacklashInput {
  Runs runs;
  Runs later;  // taken with the proposed take-up
};

struct BacklashAnswer {
  BacklashResult result;
  std::vector<SkippedFile> skipped;
};

class BacklashCommand : public Command {
 public:
  BacklashCommand()
      : Command({"backlash", "The focuser's slack, and how to take it up", kBacklashExamples}) {
    add_input_options(app(), settings_.input);
    add_common_options(app(), settings_.common);
    add_short_option(app(), settings_.common);
    add_table_options(app(), settings_.table);
    app()
        .add_option("--verify", verify_,
                    "A later run taken with the proposed take-up: is any slack left?")
        ->type_name("INPUT")
        ->expected(1)
        ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll)
        ->configurable(false);
    const auto add_direction = [this](const std::string& option, std::optional<Direction>& target,
                                      const std::string& help) {
      add_choice(app(), option, target, enum_from_name<Direction>, "outward or inward", help,
                 "DIRECTION");
    };
    add_direction("--final-direction", options_.final_direction,
                  "Direction of the last move, outward or inward [against gravity]");
    add_direction("--lifts", options_.lifting,
                  "Direction that lifts the load when the telescope points up [inward]");
    add_number(app(), "--altitude-deg", options_.altitude_deg, {-90, 90, false, false},
               "Altitude at which the telescope points");
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<BacklashInput, BacklashAnswer>{
            .find = [this] { return find(); },
            .work = [this](const BacklashInput& input, Work& work) { return measure(input, work); },
            .json = [](const BacklashAnswer& a) { return backlash_json(a.result, a.skipped); },
            .text = [](const BacklashAnswer& a,
                       const TextOptions& options) { return backlash_text(a.result, options); },
            .short_line = [](const BacklashAnswer& a) { return backlash_short_line(a.result); },
            .status = [](const BacklashAnswer& a) { return status_of(a.result.verdict); }},
        settings_, streams);
  }

 private:
  // The sweeps of some runs, and what they say of the rig.
  struct Sweeps {
    std::vector<SweepRecord> records;
    std::vector<SkippedFile> skipped;
    Rig rig;
  };

  [[nodiscard]] Result<Found<BacklashInput>> find() const {
    auto runs = find_runs(settings_.input.inputs, settings_.table);
    auto later = find_runs(verify_, settings_.table);
    auto paths = std::move(runs.protected_paths);
    paths.insert(paths.end(), later.protected_paths.begin(), later.protected_paths.end());
    return Found<BacklashInput>{{std::move(runs.input), std::move(later.input)}, std::move(paths)};
  }

  [[nodiscard]] Result<BacklashAnswer> measure(const BacklashInput& input, Work& work) const {
    const auto sweeps = read_sweeps(input.runs, work.options, work.options.rig);
    if (!sweeps) return tl::unexpected<Error>(sweeps.error());
    Result<Sweeps> later = Sweeps{{}, {}, sweeps->rig};
    if (!verify_.empty()) later = read_sweeps(input.later, work.options, sweeps->rig);
    if (!later) return tl::unexpected<Error>(later.error());
    work.skipped = sweeps->skipped;
    work.skipped.insert(work.skipped.end(), later->skipped.begin(), later->skipped.end());

    auto result = measure_backlash(sweeps->records, later->rig, options_);
    if (!result) return tl::unexpected<Error>(result.error());
    if (!verify_.empty()) {
      if (auto verified = verify_takeup(later->records, later->rig, *result); !verified) {
        return tl::unexpected<Error>(verified.error());
      }
    }
    return BacklashAnswer{std::move(*result), work.skipped};
  }

  static Result<Sweeps> read_sweeps(const Runs& found, const RunOptions& options, const Rig& rig) {
    auto runs = judge_runs(found, options);
    if (!runs) return tl::unexpected<Error>(runs.error());
    Sweeps sweeps{{}, {}, rig};
    for (RunAnswer& run : *runs) {
      sweeps.rig = completed(sweeps.rig, run.rig);
      sweeps.skipped.insert(sweeps.skipped.end(), run.skipped.begin(), run.skipped.end());
      sweeps.records.push_back(std::move(run.fit.points));
    }
    return sweeps;
  }

  BacklashOptions options_;
  std::vector<std::string> verify_;
};

}  // namespace

std::unique_ptr<Command> make_backlash_command() { return std::make_unique<BacklashCommand>(); }

}  // namespace starwaist::tool
