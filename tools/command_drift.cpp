// starwaist drift: best focus against temperature over many runs.
#include "job.h"
#include "starwaist/numbers.h"
#include "starwaist/past_runs.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kDriftExamples = R"(Examples:
  starwaist drift --ledger runs.ledger --config rig.conf
      Slope with temperature from all runs of a ledger, how often to refocus, whether a prediction
      can stand in for a focus run.
  starwaist drift focus.csv --predict 2 --predict -5,Ha
      The same from a table 'position,temperature' with, where known, sigma, filter, time and
      altitude; best focus at 2 degrees, and at -5 degrees through the filter Ha.
  starwaist drift nights --plot drift.png --tube aluminium --focal-length-mm 800
      From a folder of run folders, with a picture, held against what the tube expands.
Exit status: 0 the slope can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

using Paths = std::vector<std::string>;

// What is learned from: the runs, what was left out of them, what is worth saying of them.
struct History {
  std::vector<DriftRun> runs;
  std::vector<SkippedFile> skipped;
  std::vector<Statement> notes;
};

struct DriftAnswer {
  DriftFit fit;
  std::vector<SkippedFile> skipped;
};

DriftQuery parse_query(const std::string& text) {
  const auto comma = text.find(',');
  const auto temperature = parse_number(text.substr(0, comma));
  if (!temperature) {
    throw CLI::ValidationError("--predict", "'" + text + "' is not T or T,FILTER, as in -5,Ha");
  }
  DriftQuery query{*temperature, std::nullopt, std::nullopt};
  if (comma != std::string::npos) {
    query.filter = std::string(trimmed(std::string_view(text).substr(comma + 1)));
  }
  return query;
}

class DriftCommand : public Command {
 public:
  DriftCommand()
      : Command({"drift", "Learn how focus moves with temperature, filter and altitude",
                 kDriftExamples}) {
    add_input_options(app(), settings_.input);
    app().get_option("INPUT")->required(false)->description(
        "A table of finished runs (position,temperature,...), run folders, folders of them, or "
        "answers of fit in JSON");
    add_common_options(app(), settings_.common);
    add_short_option(app(), settings_.common);
    add_path(app(), "--ledger", ledger_, "Take the runs from this ledger")->configurable(false);
    add_path(app(), "--rig", rig_name_, "Only the ledger's runs of this rig", "NAME")
        ->configurable(false);
    app()
        .add_option(
            "--predict",
            [this](const CLI::results_t& values) {
              for (const auto& value : values) drift_.predictions.push_back(parse_query(value));
              return true;
            },
            "Best focus at this temperature, in this filter; may be repeated")
        ->type_name("T[,FILTER]")
        ->expected(1)
        ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
    add_column_option(app(), settings_.table, {}, "position=Best");
    add_choice(app(), "--tube", drift_.tube, tube_material_from_name, "aluminium, steel or carbon",
               "What the tube is made of: aluminium, steel or carbon; its length is taken as the "
               "focal length unless --tube-length-mm is given",
               "MATERIAL");
    add_number(app(), "--tube-length-mm", drift_.tube_length_mm, kPositive, "Length of the tube");
    app().add_flag("--no-altitude", no_altitude_, "No term in the telescope's altitude");
    app().add_flag("--no-lag", no_lag_, "No delay of the focus behind the thermometer");
    add_path(app(), "--plot", plot_,
             "Draw focus against temperature; the name ends in .png or .svg");
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<Paths, DriftAnswer>{
            .check = [this] { return check_input(); },
            .find = [this] { return Result<Found<Paths>>(named_inputs(settings_, {ledger_})); },
            .outputs = {{.name = {"--plot", plot_, OutputName::Kind::figure},
                         .write =
                             [this](const DriftAnswer& answer, const Writer& writer) {
                               return write_drift_plot(answer.fit, plot_, writer.protected_paths);
                             }}},
            .work = [this](const Paths& inputs, Work& work) { return learn(inputs, work); },
            .json = [](const DriftAnswer& a) { return drift_json(a.fit, a.skipped); },
            .text = [](const DriftAnswer& a,
                       const TextOptions& options) { return drift_table(a.fit, options); },
            .short_line = [](const DriftAnswer& a) { return drift_short_line(a.fit); },
            .status = [](const DriftAnswer& a) { return status_of(a.fit.result.verdict); }},
        settings_, streams);
  }

 private:
  [[nodiscard]] Result<void> check_input() const {
    if (ledger_.empty() != settings_.input.inputs.empty()) return {};
    return fail(ErrorCode::invalid_argument,
                ledger_.empty() ? "no input was given" : "--ledger and INPUT were both given",
                "Name a ledger with --ledger, or a table or run folders");
  }

  [[nodiscard]] Result<DriftAnswer> learn(const Paths& inputs, Work& work) const {
    const auto history = ledger_.empty() ? from_inputs(inputs, work.options) : from_ledger();
    if (!history) return tl::unexpected<Error>(history.error());
    work.skipped = history->skipped;
    auto fit = fit_drift(history->runs, drift_options(work.options.rig));
    if (!fit) return tl::unexpected<Error>(fit.error());
    auto& notes = fit->result.notes;
    notes.insert(notes.begin(), history->notes.begin(), history->notes.end());
    return DriftAnswer{std::move(*fit), history->skipped};
  }

  [[nodiscard]] DriftOptions drift_options(const Rig& rig) const {
    DriftOptions options = drift_;
    if (const auto zone = critical_focus_zone_steps(rig)) options.half_zone_steps = *zone / 2;
    options.um_per_step = rig.um_per_step;
    if (!options.tube_length_mm) options.tube_length_mm = rig.focal_length_mm;
    options.altitude = !no_altitude_;
    options.lag = !no_lag_;
    return options;
  }

  [[nodiscard]] Result<History> from_ledger() const {
    const auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    LedgerFilter filter;
    if (!rig_name_.empty()) filter.rig = rig_name_;
    filter.details = false;
    const auto found = ledger->runs(filter);
    if (!found) return tl::unexpected<Error>(found.error());
    if (found->empty()) {
      return fail(ErrorCode::no_data, ledger_ + ": the ledger holds no such run",
                  "Add runs with 'starwaist log add'");
    }
    History history;
    const std::string& rig = found->front().rig;
    for (const auto& run : *found) {
      if (run.rig != rig) {
        return fail(
            ErrorCode::invalid_argument,
            ledger_ + ": the ledger holds runs of several rigs ('" + rig + "', '" + run.rig + "')",
            "Choose one with --rig");
      }
      history.runs.push_back(drift_run(run, static_cast<int>(history.runs.size()) + 1));
    }
    return history;
  }

  static Result<History> from_inputs(const Paths& inputs, const RunOptions& run) {
    History history;
    const auto done =
        each_past_run(inputs, HistoryOptions{run, {}}, [&history](const PastRuns& past) {
          for (std::size_t i = 0; i < past.runs.size(); ++i) {
            history.runs.push_back(drift_run(past.runs[i], past.rows[i]));
          }
          history.skipped.insert(history.skipped.end(), past.skipped.begin(), past.skipped.end());
          history.notes.insert(history.notes.end(), past.notes.begin(), past.notes.end());
          return Result<void>();
        });
    if (!done) return tl::unexpected<Error>(done.error());
    return history;
  }

  DriftOptions drift_;
  std::string ledger_;
  std::string rig_name_;
  std::string plot_;
  bool no_altitude_ = false;
  bool no_lag_ = false;
};

}  // namespace

std::unique_ptr<Command> make_drift_command() { return std::make_unique<DriftCommand>(); }

}  // namespace starwaist::tool
