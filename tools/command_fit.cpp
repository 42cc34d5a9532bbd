// starwaist fit: from a run to best focus.
#include "run_command.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

constexpr const char* kExamples = R"(Examples:
  starwaist fit run-0203 --um-per-step 2 --plot curve.png
      Best focus of a folder of frames, with a picture of the curve.
  starwaist fit run-0203 --config rig.ini --json -
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
  FitCommand() : Command("fit", "Find best focus, its uncertainty and a verdict") {
    add_run_command_options(app(), options_);
    app()
        .add_option("--plot", plot_, "Draw the focus curve; the name ends in .png or .svg")
        ->type_name("FILE");
    app()
        .add_option("--arrived", arrived_,
                    "A frame taken afterwards at best focus: is its size what the curve promised?")
        ->type_name("FRAME");
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (auto named = check_plot_name(plot_); !named) return report_failure(streams, named.error());
    const auto checked_rig = checked(options_.rig);
    if (!checked_rig) return report_failure(streams, checked_rig.error());
    if (options_.each) return run_each(*checked_rig, streams);
    const auto found = find_run_input(options_.input.inputs, options_.table);
    if (!found) return report_failure(streams, found.error());
    auto protected_paths = protected_paths_of(*found);
    if (!arrived_.empty()) protected_paths.push_back(arrived_);
    if (auto allowed = check_outputs({options_.common.json, plot_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    if (!plot_.empty()) {
      if (auto found_gnuplot = check_gnuplot(); !found_gnuplot) {
        return report_failure(streams, found_gnuplot.error());
      }
    }

    ProgressLine progress(streams, options_.common.quiet);
    RunOptions options = run_options_of(options_, *checked_rig, progress, streams);
    if (!arrived_.empty()) options.arrived = arrived_;
    const auto run = fit_run(options_.input.inputs, options);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!run) return report_failure(streams, run.error());
    print_skipped(streams, run->skipped);

    const auto json = fit_json(*run);
    if (!json) return report_failure(streams, json.error());
    if (!plot_.empty()) {
      if (auto drawn = write_focus_plot(*run, plot_, protected_paths); !drawn) {
        return is_interrupted(streams) ? report_interrupt(streams)
                                       : report_failure(streams, drawn.error());
      }
    }
    if (!options_.common.json.empty()) {
      if (auto written = write_output(options_.common.json, *json, protected_paths, streams);
          !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!options_.common.json_to_stdout()) {
      RunFit shown = *run;
      shown.skipped.clear();  // already named on standard error
      if (options_.common.quiet) shown.fit.notes.clear();
      if (auto written = write_output("-", fit_table(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return run->fit.verdict == Verdict::trusted ? kTrusted : kNotTrusted;
  }

 private:
  // Many runs: lines on standard output as they come, the JSON file whole at the end.
  int run_each(const Rig& rig, const ToolStreams& streams) const {
    if (!plot_.empty() || !arrived_.empty()) {
      return report_failure(streams,
                            Error{ErrorCode::invalid_argument,
                                  "--plot and --arrived are for one run, not for each of many",
                                  "Leave them or --each out"});
    }
    if (auto allowed = check_outputs({options_.common.json}, options_.input.inputs); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, options_.common.quiet);
    const RunOptions options = run_options_of(options_, rig, progress, streams);
    LinesOutput lines(options_.common, streams);
    bool all_trusted = true;
    const auto done =
        fit_each(options_.input.inputs, options, [&](const std::string& name, const RunFit& run) {
          all_trusted = all_trusted && run.fit.verdict == Verdict::trusted;
          progress.wipe();
          print_skipped(streams, run.skipped);
          lines.add(fit_json_line(name, run), fit_line(name, run));
        });
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!done) return report_failure(streams, done.error());
    if (auto finished = lines.finish(options_.input.inputs); !finished) {
      return report_failure(streams, finished.error());
    }
    return all_trusted ? kTrusted : kNotTrusted;
  }

  RunCommandOptions options_;
  std::string plot_;
  std::string arrived_;
};

}  // namespace

std::unique_ptr<Command> make_fit_command() { return std::make_unique<FitCommand>(); }

}  // namespace starwaist::tool
