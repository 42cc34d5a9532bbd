// starwaist fit: from a run to best focus.
#include <algorithm>

#include "job.h"
#include "run_command.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kFitExamples = R"(Examples:
  starwaist fit run-0203 --um-per-step 2 --plot curve.png
      Best focus of a folder of frames, with a picture of the curve.
  starwaist fit run-0203 --config rig.conf --json -
      The same with the rig from a file ('f-number = 5' and so on), as JSON on standard output.
  starwaist fit sizes.csv --column hfr=HalfFlux --f-number 5 --pixel-um 3.76 --um-per-step 2
      Best focus of a table of sizes whose column has a name of its own.
  starwaist fit frames.csv
      The frames named in a table 'file,position,temperature,...', TIFF or PNG, in its order.
  starwaist fit run-0203 --arrived after.fits
      Did the focuser arrive? Holds a frame taken at best focus against the curve.
  starwaist fit nights --each --json nights.jsonl
      Every run in a folder of run folders (or in a table with a column 'run'), one JSON a line.
Exit status: 0 the answer can be trusted; 1 it is doubtful or unusable; 2 wrong usage; 3 no usable
input, or an output that cannot be written; 130 interrupted.)";

class FitCommand : public Command {
 public:
  FitCommand() : Command({"fit", "Find best focus, its uncertainty and a verdict", kFitExamples}) {
    add_run_command_options(app(), settings_, curve_);
    add_path(app(), "--plot", plot_, "Draw the focus curve; the name ends in .png or .svg");
    add_path(app(), "--arrived", arrived_,
             "A frame taken afterwards at best focus: is its size what the curve promised?",
             "FRAME");
  }

  int run(const ToolStreams& streams) override {
    return curve_.each ? run_lines(each_run(), settings_, streams)
                       : run_job(one_run(), settings_, streams);
  }

 private:
  [[nodiscard]] Job<RunInput, RunAnswer> one_run() const {
    return {.find = [this] { return find_run(settings_, {arrived_}); },
            .outputs = {{.name = {"--plot", plot_, OutputName::Kind::figure},
                         .write =
                             [this](const RunAnswer& run, const Writer& writer) {
                               return write_focus_plot(run, plot_, writer.protected_paths);
                             }}},
            .work = [this](const RunInput& input, Work& work) { return fit(input, work); },
            .json = fit_json,
            .text = shown,
            .short_line = short_line,
            .status = [](const RunAnswer& run) { return status_of(run.fit.verdict); }};
  }

  [[nodiscard]] Result<RunAnswer> fit(const RunInput& input, Work& work) const {
    use_curve_options(curve_, work.options);
    if (!arrived_.empty()) work.options.arrived = arrived_;
    auto run = judge_run(input, work.options);
    if (run) work.skipped = run->skipped;
    return run;
  }

  static std::string shown(RunAnswer run, const TextOptions& options) {
    run.skipped.clear();  // already named on standard error
    return fit_table(run, options);
  }

  [[nodiscard]] LinesJob each_run() const {
    return {.check = [this] { return check_each(); },
            .inputs = settings_.input.inputs,
            .work = [this](Work& work, LinesOutput& lines) { return fit_many(work, lines); }};
  }

  [[nodiscard]] Result<void> check_each() const {
    if (plot_.empty() && arrived_.empty()) return {};
    return fail(ErrorCode::invalid_argument,
                "--plot and --arrived are for one run, not for each of many",
                "Leave them or --each out");
  }

  Result<int> fit_many(Work& work, LinesOutput& lines) const {
    use_curve_options(curve_, work.options);
    int status = kTrusted;
    const auto done = judge_each(
        settings_.input.inputs, work.options, [&](const std::string& name, const RunAnswer& run) {
          status = std::max(status, status_of(run.fit.verdict));
          lines.add(fit_json_line(name, run),
                    settings_.common.one_line ? named_short_line(name, run) : fit_line(name, run),
                    run.skipped);
        });
    if (!done) return tl::unexpected<Error>(done.error());
    return status;
  }

  CurveOptions curve_;
  std::string plot_;
  std::string arrived_;
};

}  // namespace

std::unique_ptr<Command> make_fit_command() { return std::make_unique<FitCommand>(); }

}  // namespace starwaist::tool
