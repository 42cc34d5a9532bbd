// starwaist log: the runs of many nights in one file.
#include "command.h"
#include "starwaist/numbers.h"
#include "starwaist/past_runs.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist log add nights --ledger runs.ledger --rig balcony --config rig.ini
      Fit every run in a folder tree and keep the answers; a run that is there already is passed
      over, so that the same folder can be named again.
  starwaist log add focus.csv fit.json --ledger runs.ledger
      From a table of finished runs, or of star sizes, and from an answer of 'fit --json'.
  starwaist log list --ledger runs.ledger --from 2027-02 --filter Ha --verdict trusted
      The runs from February 2027 on.
  starwaist log export --ledger runs.ledger --csv all.csv
      Everything, in a table that 'drift' and 'log add' read; with --json also the points.
  starwaist log check --ledger runs.ledger
      Is the file whole? With --json also for scripts.
Exit status: 0 done; 1 'check' found damage, or 'add' passed over an input; 2 wrong usage; 3 no
usable input, no ledger, or a file that cannot be written; 130 interrupted.)";

class LogCommand : public Command {
 public:
  LogCommand() : Command("log", "Keep runs in a ledger: add, list, export, check") {
    app()
        .add_option(
            "ACTION",
            [this](const CLI::results_t& values) {
              action_ = values.front();
              if (action_ != "add" && action_ != "list" && action_ != "export" &&
                  action_ != "check") {
                throw CLI::ValidationError("ACTION",
                                           "'" + action_ + "' is not add, list, export or check");
              }
              return true;
            },
            "add, list, export or check")
        ->required()
        ->configurable(false);
    add_input_options(app(), input_);
    app().get_option("INPUT")->required(false)->description(
        "For add: run folders, folders of them, tables, or answers of fit in JSON");
    add_common_options(app(), common_);
    app()
        .add_option("--ledger", ledger_, "The ledger; 'add' makes it where it is absent")
        ->type_name("FILE")
        ->required();
    app()
        .add_option("--rig", rig_name_, "Name of the rig that runs are added for or listed of")
        ->type_name("NAME");
    const std::string group = "Which runs (list and export)";
    const auto text = [&](const std::string& option, std::string& target, const std::string& type,
                          const std::string& help) {
      app().add_option(option, target, help)->type_name(type)->group(group)->configurable(false);
    };
    text("--from", from_, "DATE", "First date or time, as in 2027-02 or 2027-02-03T20:00");
    text("--until", until_, "DATE", "Last date or time, the whole day or month included");
    text("--filter", filter_, "NAME", "Filter");
    text("--verdict", verdict_, "NAME", "trusted, doubtful or unusable");
    app()
        .add_option("--csv", csv_, "Write the runs as a table; - is standard output")
        ->type_name("FILE");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (!verdict_.empty() && verdict_ != "trusted" && verdict_ != "doubtful" &&
        verdict_ != "unusable") {
      return report_failure(
          streams, Error{ErrorCode::invalid_argument,
                         "--verdict: '" + verdict_ + "' is not trusted, doubtful or unusable",
                         "Name one of them"});
    }
    if (common_.json == "-" && csv_ == "-") {
      return report_failure(
          streams, Error{ErrorCode::invalid_argument, "--json and --csv both go to standard output",
                         "Name a file for one of them"});
    }
    if (action_ != "add" && !input_.inputs.empty()) {
      return report_failure(
          streams, Error{ErrorCode::invalid_argument,
                         "'" + input_.inputs.front() + "': log " + action_ + " takes no input",
                         "Name the ledger with --ledger"});
    }
    auto protected_paths = input_.inputs;
    protected_paths.push_back(ledger_);
    if (auto allowed = check_outputs({common_.json, csv_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    if (action_ == "add") return add(streams);
    if (action_ == "check") return check(streams);
    return list(streams);
  }

 private:
  LedgerFilter selection() const {
    LedgerFilter filter;
    const auto set = [](std::optional<std::string>& target, const std::string& text) {
      if (!text.empty()) target = text;
    };
    set(filter.from, from_);
    set(filter.until, until_);
    set(filter.rig, rig_name_);
    set(filter.filter, filter_);
    set(filter.verdict, verdict_);
    return filter;
  }

  int add(const ToolStreams& streams) const {
    if (input_.inputs.empty()) {
      return report_failure(streams, Error{ErrorCode::invalid_argument, "no INPUT was given",
                                           "Name run folders, a table or a fit's JSON"});
    }
    const auto rig = checked(rig_);
    if (!rig) return report_failure(streams, rig.error());
    auto ledger = Ledger::open(ledger_, Ledger::Access::create);
    if (!ledger) return report_failure(streams, ledger.error());
    ProgressLine progress(streams, common_.quiet);
    HistoryOptions options;
    options.run = run_options_of(common_, input_, *rig, progress, streams);
    options.rig = rig_name_;
    std::vector<LedgerRun> told;
    std::size_t fresh = 0;
    std::size_t known = 0;
    bool all_read = true;
    // A run is named only once it is on the disk.
    const auto done = each_past_run(input_.inputs, options, [&](const PastRuns& past) {
      progress.wipe();
      print_skipped(streams, past.skipped);
      if (past.runs.empty()) {
        all_read = all_read && past.skipped.empty();
        return Result<void>();
      }
      const auto added = ledger->add(past.runs);
      if (!added) return Result<void>(tl::unexpected<Error>(added.error()));
      for (std::size_t i = 0; i < past.runs.size(); ++i) {
        ((*added)[i].already_there ? known : fresh) += 1;
        if (!common_.json.empty()) {
          told.push_back(past.runs[i]);
          told.back().id = (*added)[i].id;
        }
        constexpr std::size_t kMostLines = 50;  // of one table
        if (common_.quiet || common_.json_to_stdout() || past.runs.size() > kMostLines) continue;
        streams.out << ((*added)[i].already_there ? "there already, run " : "added, run ")
                    << (*added)[i].id << ": " << log_line(past.runs[i]) << "\n"
                    << std::flush;
      }
      return Result<void>();
    });
    progress.wipe();
    if (is_interrupted(streams)) {
      print_line(streams, "interrupted; the " + std::to_string(fresh) +
                              " runs added so far are kept. Name the same folders again to go on");
      return kInterrupted;
    }
    if (!done) return report_failure(streams, done.error());
    if (!common_.json.empty()) {
      const auto json = log_json(told);
      if (!json) return report_failure(streams, json.error());
      if (auto written = write_output(common_.json, *json, {ledger_}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json_to_stdout()) {
      const std::string words = std::to_string(fresh) + (fresh == 1 ? " run" : " runs") +
                                " added, " + std::to_string(known) + " there already.\n";
      if (auto written = write_output("-", words, {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return all_read ? kTrusted : kNotTrusted;
  }

  int list(const ToolStreams& streams) const {
    const bool all = action_ == "export";
    const auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return report_failure(streams, ledger.error());
    LedgerFilter filter = selection();
    filter.details = all && !common_.json.empty();
    const auto runs = ledger->runs(filter);
    if (!runs) return report_failure(streams, runs.error());
    if (!common_.json.empty()) {
      const auto json = log_json(*runs, {.details = filter.details});
      if (!json) return report_failure(streams, json.error());
      if (auto written = write_output(common_.json, *json, {ledger_}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!csv_.empty()) {
      if (auto written = write_output(csv_, log_csv(*runs), {ledger_}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (common_.json_to_stdout() || csv_ == "-") return kTrusted;
    // An export that names no file goes to standard output.
    std::string text = log_table(*runs);
    if (all) {
      text = common_.json.empty() && csv_.empty()
                 ? log_csv(*runs)
                 : std::to_string(runs->size()) + " runs exported.\n";
    }
    if (auto written = write_output("-", text, {}, streams); !written) {
      return report_failure(streams, written.error());
    }
    return kTrusted;
  }

  int check(const ToolStreams& streams) const {
    const auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return report_failure(streams, ledger.error());
    const auto faults = ledger->check();
    if (!faults) return report_failure(streams, faults.error());
    const auto counts = ledger->counts();
    if (!counts) return report_failure(streams, counts.error());
    for (const auto& fault : *faults) print_line(streams, ledger_ + ": " + fault);
    if (!common_.json.empty()) {
      const auto json = log_check_json(*faults, *counts);
      if (!json) return report_failure(streams, json.error());
      if (auto written = write_output(common_.json, *json, {ledger_}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (common_.json_to_stdout()) return faults->empty() ? kTrusted : kNotTrusted;
    const std::string words =
        (faults->empty() ? "The ledger is whole: " : "The ledger is damaged: ") +
        std::to_string(counts->runs) + " runs with " + std::to_string(counts->points) +
        " points, " + std::to_string(counts->measurements) + " sub-exposures, " +
        std::to_string(counts->rigs) + (counts->rigs == 1 ? " rig.\n" : " rigs.\n");
    if (auto written = write_output("-", words, {}, streams); !written) {
      return report_failure(streams, written.error());
    }
    return faults->empty() ? kTrusted : kNotTrusted;
  }

  std::string action_;
  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  std::string ledger_;
  std::string rig_name_;
  std::string from_;
  std::string until_;
  std::string filter_;
  std::string verdict_;
  std::string csv_;
};

}  // namespace

std::unique_ptr<Command> make_log_command() { return std::make_unique<LogCommand>(); }

}  // namespace starwaist::tool
