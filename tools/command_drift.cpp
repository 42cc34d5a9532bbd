// starwaist drift: best focus against temperature over many runs.
#include "command.h"
#include "starwaist/numbers.h"
#include "starwaist/past_runs.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist drift --ledger runs.ledger --config rig.ini
      Slope with temperature from all runs of a ledger, how often to refocus, whether a prediction
      can stand in for a focus run.
  starwaist drift focus.csv --predict 2 --predict -5,Ha
      The same from a table 'position,temperature' with, where known, sigma, filter, time and
      altitude; best focus at 2 degrees, and at -5 degrees through the filter Ha.
  starwaist drift nights --plot drift.png --tube aluminium --focal-length-mm 800
      From a folder of run folders, with a picture, held against what the tube expands.
Exit status: 0 the slope can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class DriftCommand : public Command {
 public:
  DriftCommand() : Command("drift", "Learn how focus moves with temperature, filter and altitude") {
    add_input_options(app(), input_);
    app().get_option("INPUT")->required(false)->description(
        "A table of finished runs (position,temperature,...), run folders, folders of them, or "
        "answers of fit in JSON");
    add_common_options(app(), common_);
    app()
        .add_option("--ledger", ledger_, "Take the runs from this ledger")
        ->type_name("FILE")
        ->configurable(false);
    app()
        .add_option("--rig", rig_name_, "Only the ledger's runs of this rig")
        ->type_name("NAME")
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
    add_column_option(app(), table_, {}, "position=Best");
    app()
        .add_option(
            "--tube",
            [this](const CLI::results_t& values) {
              drift_.tube = tube_material_from_name(values.front());
              if (!drift_.tube) {
                throw CLI::ValidationError(
                    "--tube", "'" + values.front() + "' is not aluminium, steel or carbon");
              }
              return true;
            },
            "What the tube is made of: aluminium, steel or carbon; its length is taken as the "
            "focal length unless --tube-length-mm is given")
        ->type_name("MATERIAL");
    add_number(app(), "--tube-length-mm", drift_.tube_length_mm, kPositive, "Length of the tube");
    app().add_flag("--no-altitude", no_altitude_, "No term in the telescope's altitude");
    app().add_flag("--no-lag", no_lag_, "No delay of the focus behind the thermometer");
    app()
        .add_option("--plot", plot_,
                    "Draw focus against temperature; the name ends in .png or .svg")
        ->type_name("FILE");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (auto named = check_plot_name(plot_); !named) return report_failure(streams, named.error());
    const auto rig = checked(rig_);
    if (!rig) return report_failure(streams, rig.error());
    if (ledger_.empty() == input_.inputs.empty()) {
      return report_failure(
          streams,
          Error{ErrorCode::invalid_argument,
                ledger_.empty() ? "no input was given" : "--ledger and INPUT were both given",
                "Name a ledger with --ledger, or a table or run folders"});
    }
    auto protected_paths = input_.inputs;
    if (!ledger_.empty()) protected_paths.push_back(ledger_);
    if (auto allowed = check_outputs({common_.json, plot_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    if (!plot_.empty()) {
      if (auto gnuplot = check_gnuplot(); !gnuplot) return report_failure(streams, gnuplot.error());
    }
    std::vector<DriftRun> runs;
    std::vector<SkippedFile> skipped;
    std::vector<std::string> notes;
    const auto read =
        ledger_.empty() ? from_inputs(*rig, streams, runs, skipped, notes) : from_ledger(runs);
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!read) return report_failure(streams, read.error());
    print_skipped(streams, skipped);

    if (const auto zone = critical_focus_zone_steps(*rig)) drift_.half_zone_steps = *zone / 2;
    drift_.um_per_step = rig->um_per_step;
    if (!drift_.tube_length_mm) drift_.tube_length_mm = rig->focal_length_mm;
    drift_.altitude = !no_altitude_;
    drift_.lag = !no_lag_;
    auto fit = fit_drift(runs, drift_);
    if (!fit) return report_failure(streams, fit.error());
    fit->result.notes.insert(fit->result.notes.begin(), notes.begin(), notes.end());
    const auto json = drift_json(*fit, skipped);
    if (!json) return report_failure(streams, json.error());
    if (!plot_.empty()) {
      if (auto drawn = write_drift_plot(*fit, plot_, protected_paths); !drawn) {
        return report_failure(streams, drawn.error());
      }
    }
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    const bool trusted = fit->result.verdict == verdict_name(Verdict::trusted);
    if (!common_.json_to_stdout()) {
      if (common_.quiet) fit->result.notes.clear();
      if (auto written = write_output("-", drift_table(*fit), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return trusted ? kTrusted : kNotTrusted;
  }

 private:
  Result<void> from_ledger(std::vector<DriftRun>& runs) const {
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
    std::string rig = found->front().rig;
    for (const auto& run : *found) {
      if (run.rig != rig) {
        return fail(
            ErrorCode::invalid_argument,
            ledger_ + ": the ledger holds runs of several rigs ('" + rig + "', '" + run.rig + "')",
            "Choose one with --rig");
      }
      runs.push_back(drift_run(run, static_cast<int>(runs.size()) + 1));
    }
    return {};
  }

  Result<void> from_inputs(const Rig& rig, const ToolStreams& streams, std::vector<DriftRun>& runs,
                           std::vector<SkippedFile>& skipped,
                           std::vector<std::string>& notes) const {
    ProgressLine progress(streams, common_.quiet);
    HistoryOptions options;
    options.run = run_options_of(common_, input_, rig, progress, streams);
    options.run.table = table_;
    auto done = each_past_run(input_.inputs, options, [&](const PastRuns& past) {
      for (std::size_t i = 0; i < past.runs.size(); ++i) {
        runs.push_back(drift_run(past.runs[i], past.rows[i]));
      }
      skipped.insert(skipped.end(), past.skipped.begin(), past.skipped.end());
      notes.insert(notes.end(), past.notes.begin(), past.notes.end());
      return Result<void>();
    });
    progress.wipe();
    return done;
  }

  static DriftQuery parse_query(const std::string& text) {
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

  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  TableOptions table_;
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
