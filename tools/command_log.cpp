// starwaist log: the runs of many nights in one file.
#include <cmath>
#include <filesystem>

#include "job.h"
#include "starwaist/past_runs.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kLogExamples = R"(Examples:
  starwaist log add nights --ledger runs.ledger --rig balcony --config rig.conf
      Fit every run in a folder tree and keep the answers; a run that is there already is passed
      over, so that the same folder can be named again. What the rig took in the same time
      replaces: after frames were deleted or the rig file was corrected.
  starwaist log add focus.csv fit.json --ledger runs.ledger
      From a table of finished runs, or of star sizes, and from an answer of 'fit --json'.
  starwaist log list --ledger runs.ledger --from 2027-02 --filter Ha --verdict trusted
      The runs from February 2027 on.
  starwaist log export --ledger runs.ledger --csv all.csv
      Everything, in a table that 'drift' and 'log add' read; with --json also the points.
  starwaist log remove 17 --ledger runs.ledger
      Takes a run away; 'log list' shows the numbers.
  starwaist log note 12 new focuser, old coupling --ledger runs.ledger
      Your own words beside a run; without words the note goes.
  starwaist log merge laptop.ledger --ledger runs.ledger
      What another ledger holds too; nothing comes twice, and what is there stays.
  starwaist log check --ledger runs.ledger
      Is the file whole? With --json also for scripts.
Exit status: 0 done; 1 'check' found damage, or 'add' passed over an input; 2 wrong usage; 3 no
usable input, no ledger, or a file that cannot be written; 130 interrupted.)";

using Paths = std::vector<std::string>;

// What `add` did so far: also what an interrupt leaves behind.
struct Added {
  std::vector<LedgerRun> runs;  // for --json only
  std::size_t fresh = 0;
  std::size_t replaced = 0;
  std::size_t known = 0;
  bool all_read = true;
};

struct Checked {
  std::vector<std::string> faults;
  LedgerCounts counts;
};

class LogCommand : public Command {
 public:
  LogCommand()
      : Command({"log", "Keep runs in a ledger: add, list, note, merge, ...", kLogExamples}) {
    add_action();
    add_input_options(app(), settings_.input);
    app().get_option("INPUT")->required(false)->description(
        "For add: run folders, folders of them, tables, or answers of fit in JSON; for remove: "
        "numbers of runs; for note: a number and words; for merge: ledgers");
    add_common_options(app(), settings_.common);
    add_path(app(), "--ledger", ledger_, "The ledger; 'add' makes it where it is absent")
        ->required();
    add_path(app(), "--rig", rig_name_, "Name of the rig that runs are added for or listed of",
             "NAME");
    const auto add_filter = [this](const std::string& option, std::string& target,
                                   const std::string& type, const std::string& help) {
      add_path(app(), option, target, help, type)
          ->group("Which runs (list and export)")
          ->configurable(false);
    };
    add_filter("--from", from_, "DATE", "First date or time, as in 2027-02 or 2027-02-03T20:00");
    add_filter("--until", until_, "DATE", "Last date or time, the whole day or month included");
    add_filter("--filter", filter_, "NAME", "Filter");
    add_filter("--verdict", verdict_, "NAME", "trusted, doubtful or unusable");
    add_path(app(), "--csv", csv_, "Write the runs as a table; - is standard output");
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    if (action_ == "add") {
      Added added;
      return run_job(add_job(added), settings_, streams);
    }
    if (action_ == "check") return run_job(check_job(), settings_, streams);
    if (action_ == "merge") return run_job(merge_job(), settings_, streams);
    if (action_ == "remove" || action_ == "note") {
      return run_job(correct_job(), settings_, streams);
    }
    return run_job(list_job(), settings_, streams);
  }

 private:
  void add_action() {
    app()
        .add_option(
            "ACTION",
            [this](const CLI::results_t& values) {
              action_ = values.front();
              if (takes_input() || action_ == "list" || action_ == "export" || action_ == "check") {
                return true;
              }
              throw CLI::ValidationError(
                  "ACTION",
                  "'" + action_ + "' is not add, list, export, check, remove, note or merge");
            },
            "add, list, export, check, remove, note or merge")
        ->required()
        ->configurable(false);
  }

  [[nodiscard]] Result<Found<Paths>> find() const { return named_inputs(settings_, {ledger_}); }

  [[nodiscard]] bool takes_input() const {
    return action_ == "add" || action_ == "remove" || action_ == "note" || action_ == "merge";
  }

  [[nodiscard]] Result<void> check_selection() const {
    if (!verdict_.empty() && !enum_from_name<Verdict>(verdict_)) {
      return fail(ErrorCode::invalid_argument,
                  "--verdict: '" + verdict_ + "' is not trusted, doubtful or unusable",
                  "Name one of them");
    }
    const bool reads = takes_input();
    if (!reads && !settings_.input.inputs.empty()) {
      return fail(ErrorCode::invalid_argument,
                  "'" + settings_.input.inputs.front() + "': log " + action_ + " takes no input",
                  "Name the ledger with --ledger");
    }
    if (reads && settings_.input.inputs.empty()) {
      return fail(ErrorCode::invalid_argument, "no INPUT was given",
                  action_ == "add"     ? "Name run folders, a table or a fit's JSON"
                  : action_ == "merge" ? "Name another ledger"
                                       : "Give the run's number, as 'log list' shows it");
    }
    return {};
  }

  [[nodiscard]] Job<Paths, Added> add_job(Added& so_far) const {
    return {
        .check = [this] { return check_selection(); },
        .find = [this] { return find(); },
        .work = [this, &so_far](const Paths& inputs, Work& work) -> Result<Added> {
          if (auto done = add(inputs, work, so_far); !done) {
            return tl::unexpected<Error>(done.error());
          }
          return so_far;
        },
        .interrupted_words =
            [&so_far] {
              return "interrupted; the " + std::to_string(so_far.fresh + so_far.replaced) +
                     " runs added so far are kept. Name the same folders again to go on";
            },
        .json = [](const Added& added) { return log_json(added.runs); },
        .text = [](const Added& added, const TextOptions&) { return count_words(added) + ".\n"; },
        .status = [](const Added& added) { return added.all_read ? kTrusted : kNotTrusted; }};
  }

  [[nodiscard]] Result<void> add(const Paths& inputs, Work& work, Added& so_far) const {
    auto ledger = Ledger::open(ledger_, Ledger::Access::create);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    // A run is named only once it is on the disk.
    return each_past_run(inputs, {work.options, rig_name_}, [&](const PastRuns& past) {
      work.progress.wipe();
      print_skipped(work.streams, past.skipped);
      if (past.runs.empty()) {
        so_far.all_read = so_far.all_read && past.skipped.empty();
        return Result<void>();
      }
      const auto added = ledger->add(past.runs);
      if (!added) return Result<void>(tl::unexpected<Error>(added.error()));
      constexpr std::size_t kMostLines = 50;  // of one table
      const bool named = !settings_.common.quiet && !settings_.common.json_to_stdout() &&
                         past.runs.size() <= kMostLines;
      for (std::size_t i = 0; i < past.runs.size(); ++i) {
        const LedgerAdded& one = (*added)[i];
        count(one, so_far);
        if (!settings_.common.json.empty()) {
          so_far.runs.push_back(past.runs[i]);
          so_far.runs.back().id = one.id;
        }
        if (!named) continue;
        work.streams.out << (one.already_there ? "there already, run "
                             : one.replaced    ? "replaced, of the same time, run "
                                               : "added, run ")
                         << one.id << ": " << log_line(past.runs[i]) << "\n"
                         << std::flush;
      }
      return Result<void>();
    });
  }

  static void count(const LedgerAdded& one, Added& so_far) {
    (one.already_there ? so_far.known : one.replaced ? so_far.replaced : so_far.fresh) += 1;
  }

  static std::string count_words(const Added& added) {
    std::string text =
        std::to_string(added.fresh) + (added.fresh == 1 ? " run" : " runs") + " added, ";
    if (added.replaced > 0) text += std::to_string(added.replaced) + " replaced, ";
    return text + std::to_string(added.known) + " there already";
  }

  struct Merged {
    Added runs;
    int measurements = 0;
  };
  [[nodiscard]] Job<Paths, Merged> merge_job() const {
    return {.checks_rig = false,
            .check = [this] { return check_selection(); },
            .find = [this] { return find(); },
            .work = [this](const Paths& others, Work&) { return merge(others); },
            .json = [](const Merged& merged) { return log_json(merged.runs.runs); },
            .text =
                [](const Merged& merged, const TextOptions&) {
                  return count_words(merged.runs) + "; " + std::to_string(merged.measurements) +
                         " sub-exposures added.\n";
                },
            .status = [](const Merged&) { return kTrusted; }};
  }

  [[nodiscard]] Result<Merged> merge(const Paths& others) const {
    std::vector<Ledger> from;
    for (const std::string& other : others) {
      std::error_code ignored;
      if (std::filesystem::equivalent(other, ledger_, ignored)) {
        return fail(ErrorCode::invalid_argument, other + ": this is the ledger itself",
                    "Name another one");
      }
      auto opened = Ledger::open(other, Ledger::Access::existing);
      if (!opened) return tl::unexpected<Error>(opened.error());
      from.push_back(std::move(*opened));
    }
    auto ledger = Ledger::open(ledger_, Ledger::Access::create);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    Merged all;
    for (const Ledger& other : from) {
      const auto merged = ledger->merge(other);
      if (!merged) return tl::unexpected<Error>(merged.error());
      for (const LedgerAdded& one : merged->runs) count(one, all.runs);
      all.measurements += merged->measurements;
    }
    return all;
  }

  // What 'remove' and 'note' did, in words.
  [[nodiscard]] Job<Paths, std::string> correct_job() const {
    return {.checks_rig = false,
            .check = [this] { return check_selection(); },
            .find = [this] { return find(); },
            .work = [this](const Paths& words, Work&) { return correct(words); },
            .json = [](const std::string&) { return log_json({}); },
            .text = [](const std::string& done, const TextOptions&) { return done; },
            .status = [](const std::string&) { return kTrusted; }};
  }

  [[nodiscard]] Result<std::string> correct(const Paths& words) const {
    const bool notes = action_ == "note";
    std::vector<std::int64_t> ids;
    for (std::size_t i = 0; i < (notes ? 1 : words.size()); ++i) {
      const auto id = parse_number(words[i]);
      if (!id || *id != std::floor(*id) || !(std::abs(*id) < 1e15)) {
        return fail(ErrorCode::invalid_argument, "'" + words[i] + "' is not the number of a run",
                    "'log list' shows the numbers");
      }
      ids.push_back(static_cast<std::int64_t>(*id));
    }
    auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    if (!notes) {
      if (auto gone = ledger->remove(ids); !gone) return tl::unexpected<Error>(gone.error());
      return std::to_string(ids.size()) + (ids.size() == 1 ? " run" : " runs") + " removed.\n";
    }
    std::string text;
    for (std::size_t i = 1; i < words.size(); ++i) text += (i > 1 ? " " : "") + words[i];
    const auto noted = ledger->note(ids.front(), text);
    if (!noted) return tl::unexpected<Error>(noted.error());
    return std::string(text.empty() ? "The note is gone.\n" : "Noted.\n");
  }

  [[nodiscard]] LedgerFilter selection() const {
    LedgerFilter filter;
    const auto set = [](std::optional<std::string>& target, const std::string& text) {
      if (!text.empty()) target = text;
    };
    set(filter.from, from_);
    set(filter.until, until_);
    set(filter.rig, rig_name_);
    set(filter.filter, filter_);
    filter.verdict = enum_from_name<Verdict>(verdict_);
    filter.details = exports() && !settings_.common.json.empty();
    return filter;
  }

  [[nodiscard]] bool exports() const { return action_ == "export"; }

  using Runs = std::vector<LedgerRun>;
  [[nodiscard]] Job<Paths, Runs> list_job() const {
    return {.checks_rig = false,
            .check = [this] { return check_selection(); },
            .find = [this] { return find(); },
            .outputs = {{.name = {"--csv", csv_},
                         .write =
                             [this](const Runs& runs, const Writer& writer) {
                               return writer.text(csv_, log_csv(runs));
                             }}},
            .work = [this](const Paths&, Work&) { return selected(); },
            .json =
                [this](const Runs& runs) {
                  // A ledger may hold a hundred thousand runs: they are encoded where that is asked
                  // for.
                  return settings_.common.json.empty()
                             ? Result<std::string>("")
                             : log_json(runs, {.details = selection().details});
                },
            .text = [this](const Runs& runs,
                           const TextOptions& options) { return listed(runs, options); },
            .status = [](const Runs&) { return kTrusted; }};
  }

  [[nodiscard]] Result<Runs> selected() const {
    const auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    return ledger->runs(selection());
  }

  // An export that names no file goes to standard output.
  [[nodiscard]] std::string listed(const Runs& runs, const TextOptions& options) const {
    if (!exports()) return log_table(runs, options);
    if (settings_.common.json.empty() && csv_.empty()) return log_csv(runs);
    return std::to_string(runs.size()) + " runs exported.\n";
  }

  [[nodiscard]] Job<Paths, Checked> check_job() const {
    return {.checks_rig = false,
            .check = [this] { return check_selection(); },
            .find = [this] { return find(); },
            .work = [this](const Paths&, Work& work) { return look_for_faults(work.streams); },
            .json = [](const Checked& found) { return log_check_json(found.faults, found.counts); },
            .text = check_words,
            .status =
                [](const Checked& found) { return found.faults.empty() ? kTrusted : kNotTrusted; }};
  }

  [[nodiscard]] Result<Checked> look_for_faults(const ToolStreams& streams) const {
    const auto ledger = Ledger::open(ledger_, Ledger::Access::existing);
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    const auto faults = ledger->check();
    if (!faults) return tl::unexpected<Error>(faults.error());
    const auto counts = ledger->counts();
    if (!counts) return tl::unexpected<Error>(counts.error());
    for (const auto& fault : *faults) print_line(streams, ledger_ + ": " + fault);
    return Checked{*faults, *counts};
  }

  static std::string check_words(const Checked& found, const TextOptions& options) {
    return paragraph((found.faults.empty() ? "The ledger is whole: " : "The ledger is damaged: ") +
                         std::to_string(found.counts.runs) + " runs with " +
                         std::to_string(found.counts.points) + " points, " +
                         std::to_string(found.counts.measurements) + " sub-exposures, " +
                         std::to_string(found.counts.rigs) +
                         (found.counts.rigs == 1 ? " rig." : " rigs."),
                     options);
  }

  std::string action_;
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
