// starwaist night: a session's light frames judged.
#include "job.h"
#include "starwaist/report.h"
#include "starwaist/session.h"

namespace starwaist::tool {

namespace {

constexpr const char* kNightExamples = R"(Examples:
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
  NightCommand()
      : Command({"night", "Judge a night's light frames: where focus was lost and why",
                 kNightExamples}) {
    add_input_options(app(), settings_.input);
    add_common_options(app(), settings_.common);
    add_short_option(app(), settings_.common);
    add_path(app(), "--csv", csv_, "Write one row a frame; - is standard output");
    add_path(app(), "--plot", plot_, "Draw the night's timeline; the name ends in .png or .svg");
    add_number(app(), "--refocus-minutes", refocus_minutes_, kPositive,
               "Time that a refocus takes, all in all");
    add_path(app(), "--ledger", ledger_, "Keep the frames' figures in this ledger")
        ->configurable(false);
    add_path(app(), "--rig", rig_name_, "Name of the rig in the ledger", "NAME")
        ->configurable(false);
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<RunInput, SessionAnswer>{
            .find = [this] { return find_run(settings_, {ledger_}); },
            .outputs = outputs(),
            .work = [this](const RunInput& input, Work& work) { return judge(input, work); },
            .json = night_json,
            .text = shown,
            .short_line = night_short_line,
            .status =
                [](const SessionAnswer& answer) {
                  return status_of(answer.judgement.result.verdict);
                }},
        settings_, streams);
  }

 private:
  [[nodiscard]] std::vector<OutputFile<SessionAnswer>> outputs() const {
    return {{.name = {"--ledger", ledger_, OutputName::Kind::other},
             .write = [this](const SessionAnswer& answer,
                             const Writer& writer) { return keep(answer, writer.streams); }},
            {.name = {"--plot", plot_, OutputName::Kind::figure},
             .write =
                 [this](const SessionAnswer& answer, const Writer& writer) {
                   return write_night_plot(answer, plot_, writer.protected_paths);
                 }},
            {.name = {"--csv", csv_},
             .write = [this](const SessionAnswer& answer, const Writer& writer) {
               return writer.text(csv_, night_csv(answer));
             }}};
  }

  [[nodiscard]] Result<SessionAnswer> judge(const RunInput& input, Work& work) const {
    auto answer = judge_session(input, SessionOptions{work.options, refocus_minutes_});
    if (answer) work.skipped = answer->skipped;
    return answer;
  }

  [[nodiscard]] Result<void> keep(const SessionAnswer& answer, const ToolStreams& streams) const {
    auto ledger = Ledger::open(ledger_, Ledger::Access::create);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    const auto measurements = ledger_measurements(answer, rig_name_);
    const auto fresh = ledger->add_measurements(measurements);
    if (!fresh) return tl::unexpected<Error>(fresh.error());
    if (!settings_.common.quiet) {
      print_line(streams,
                 ledger_ + ": " + std::to_string(*fresh) + " sub-exposures added, " +
                     std::to_string(measurements.size() - static_cast<std::size_t>(*fresh)) +
                     " there already");
    }
    return {};
  }

  static std::string shown(SessionAnswer answer, const TextOptions& options) {
    answer.skipped.clear();  // already named on standard error
    return night_text(answer, options);
  }

  double refocus_minutes_ = SessionOptions{}.refocus_minutes;
  std::string csv_;
  std::string plot_;
  std::string ledger_;
  std::string rig_name_;
};

}  // namespace

std::unique_ptr<Command> make_night_command() { return std::make_unique<NightCommand>(); }

}  // namespace starwaist::tool
