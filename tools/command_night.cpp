// starwaist night: a session's light frames judged.
#include "command.h"
#include "starwaist/report.h"
#include "starwaist/session.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist night tonight/lights
      Where focus was lost, since when and why; what it cost; when to refocus.
  starwaist night tonight/lights --config rig.conf --plot night.png
      With a picture of the night; the rule then keeps within the critical focus zone.
  starwaist night tonight/lights --refocus-minutes 3 --json night.json --csv night.csv
      For a focus run that takes 3 minutes; everything for scripts.
  starwaist night tonight/lights --ledger runs.ledger --rig balcony
      Keeps the frames' figures in a ledger; the same frames twice are kept once.
Frames of one session, in the folder itself or named. Those of focus runs in between are left out.
Exit status: 0 the answer can be trusted; 1 it is doubtful; 2 wrong usage; 3 no usable input, or an
output that cannot be written; 130 interrupted.)";

class NightCommand : public Command {
 public:
  NightCommand() : Command("night", "Judge a night's light frames: where focus was lost and why") {
    add_input_options(app(), input_);
    add_common_options(app(), common_);
    app()
        .add_option("--csv", csv_, "Write one row a frame; - is standard output")
        ->type_name("FILE");
    app()
        .add_option("--plot", plot_, "Draw the night's timeline; the name ends in .png or .svg")
        ->type_name("FILE");
    add_number(app(), "--refocus-minutes", refocus_minutes_, kPositive,
               "Time that a refocus takes, all in all [5]");
    app()
        .add_option("--ledger", ledger_, "Keep the frames' figures in this ledger")
        ->type_name("FILE")
        ->configurable(false);
    app()
        .add_option("--rig", rig_name_, "Name of the rig in the ledger")
        ->type_name("NAME")
        ->configurable(false);
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (auto named = check_plot_name(plot_); !named) return report_failure(streams, named.error());
    if (common_.json_to_stdout() && csv_ == "-") {
      return report_failure(
          streams, Error{ErrorCode::invalid_argument, "--json and --csv both go to standard output",
                         "Name a file for one of them"});
    }
    const auto rig = checked(rig_);
    if (!rig) return report_failure(streams, rig.error());
    const auto found = find_run_input(input_.inputs);
    if (!found) return report_failure(streams, found.error());
    auto protected_paths = protected_paths_of(*found);
    if (!ledger_.empty()) protected_paths.push_back(ledger_);
    if (auto allowed = check_outputs({common_.json, csv_, plot_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    if (!plot_.empty()) {
      if (auto gnuplot = check_gnuplot(); !gnuplot) return report_failure(streams, gnuplot.error());
    }
    ProgressLine progress(streams, common_.quiet);
    SessionOptions options;
    options.run = run_options_of(common_, input_, *rig, progress, streams);
    options.refocus_minutes = refocus_minutes_;
    auto answer = judge_session(input_.inputs, options);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!answer) return report_failure(streams, answer.error());
    print_skipped(streams, answer->skipped);
    return write_all(*answer, protected_paths, streams);
  }

 private:
  [[nodiscard]] Result<void> keep(const SessionAnswer& answer, const ToolStreams& streams) const {
    auto ledger = Ledger::open(ledger_, Ledger::Access::create);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    const auto measurements = ledger_measurements(answer, rig_name_);
    const auto fresh = ledger->add_measurements(measurements);
    if (!fresh) return tl::unexpected<Error>(fresh.error());
    if (!common_.quiet) {
      print_line(streams,
                 ledger_ + ": " + std::to_string(*fresh) + " sub-exposures added, " +
                     std::to_string(measurements.size() - static_cast<std::size_t>(*fresh)) +
                     " there already");
    }
    return {};
  }

  int write_all(const SessionAnswer& answer, const std::vector<std::string>& protected_paths,
                const ToolStreams& streams) const {
    const auto json = night_json(answer);
    if (!json) return report_failure(streams, json.error());
    if (!ledger_.empty()) {
      if (auto kept = keep(answer, streams); !kept) return report_failure(streams, kept.error());
    }
    if (!plot_.empty()) {
      if (auto drawn = write_night_plot(answer, plot_, protected_paths); !drawn) {
        return report_failure(streams, drawn.error());
      }
    }
    if (!csv_.empty()) {
      if (auto written = write_output(csv_, night_csv(answer), protected_paths, streams);
          !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    const int status = answer.judgement.result.verdict == Verdict::trusted ? kTrusted : kNotTrusted;
    if (common_.json_to_stdout() || csv_ == "-") return status;
    SessionAnswer shown = answer;
    shown.skipped.clear();  // already named on standard error
    if (common_.quiet) shown.judgement.result.notes.clear();
    if (auto written = write_output("-", night_text(shown), {}, streams); !written) {
      return report_failure(streams, written.error());
    }
    return status;
  }

  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  double refocus_minutes_ = SessionOptions{}.refocus_minutes;
  std::string csv_;
  std::string plot_;
  std::string ledger_;
  std::string rig_name_;
};

}  // namespace

std::unique_ptr<Command> make_night_command() { return std::make_unique<NightCommand>(); }

}  // namespace starwaist::tool
