// starwaist fit: from a run to best focus.
#include "command.h"
#include "starwaist/numbers.h"
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
    add_input_options(app(), input_);
    add_common_options(app(), common_);
    app()
        .add_option(
            "--model",
            [this](const CLI::results_t& values) {
              fit_.model = model_from_name(lower_case(values.front()));
              if (!fit_.model) {
                throw CLI::ValidationError(
                    "--model", "'" + values.front() + "' is not hyperbola, parabola or blur");
              }
              return true;
            },
            "Only this curve decides: hyperbola, parabola or blur [weighted by how well they fit]")
        ->type_name("NAME");
    app()
        .add_option(
            "--size",
            [this](const CLI::results_t& values) {
              const std::string name = lower_case(values.front());
              if (name != "hfr" && name != "fwhm") {
                throw CLI::ValidationError("--size", "'" + values.front() + "' is not hfr or fwhm");
              }
              size_ = name == "hfr" ? SizeMeasure::hfr : SizeMeasure::fwhm;
              return true;
            },
            "Size that is fitted: hfr (half-flux radius) or fwhm [hfr; of a table, what it has]")
        ->type_name("NAME");
    app()
        .add_option(
            "--column",
            [this](const CLI::results_t& values) {
              for (const auto& value : values) table_.columns.push_back(parse_column(value));
              return true;
            },
            "Name of a table's column, as in hfr=HalfFlux; may be repeated")
        ->type_name("COLUMN=NAME")
        ->expected(1)
        ->multi_option_policy(CLI::MultiOptionPolicy::TakeAll);
    app()
        .add_option("--plot", plot_, "Draw the focus curve; the name ends in .png or .svg")
        ->type_name("FILE");
    app()
        .add_option("--arrived", arrived_,
                    "A frame taken afterwards at best focus: is its size what the curve promised?")
        ->type_name("FRAME");
    app().add_flag(
        "--each", each_,
        "INPUT holds many runs: a folder of run folders, or a table with a column 'run'");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (!plot_.empty() && !figure_format(plot_)) {
      return report_failure(streams, Error{ErrorCode::invalid_argument,
                                           "--plot: '" + plot_ + "' ends neither in .png nor .svg",
                                           "End the name in .png or .svg"});
    }
    const auto checked_rig = checked(rig_);
    if (!checked_rig) return report_failure(streams, checked_rig.error());
    if (each_) return run_each(*checked_rig, streams);
    const auto found = find_run_input(input_.inputs, table_);
    if (!found) return report_failure(streams, found.error());
    auto protected_paths = protected_paths_of(*found);
    if (!arrived_.empty()) protected_paths.push_back(arrived_);
    if (auto allowed = check_outputs({common_.json, plot_}, protected_paths); !allowed) {
      return report_failure(streams, allowed.error());
    }
    if (!plot_.empty()) {
      if (auto found_gnuplot = check_gnuplot(); !found_gnuplot) {
        return report_failure(streams, found_gnuplot.error());
      }
    }

    ProgressLine progress(streams, common_.quiet);
    const RunOptions options = options_of(*checked_rig, progress, streams);
    const auto run = fit_run(input_.inputs, options);
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
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_paths, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json_to_stdout()) {
      RunFit shown = *run;
      shown.skipped.clear();  // already named on standard error
      if (common_.quiet) shown.fit.notes.clear();
      if (auto written = write_output("-", fit_table(shown), {}, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return run->fit.verdict == verdict_name(Verdict::trusted) ? kTrusted : kNotTrusted;
  }

 private:
  RunOptions options_of(const Rig& rig, ProgressLine& progress, const ToolStreams& streams) const {
    RunOptions options = run_options_of(common_, input_, rig, progress, streams);
    options.table = table_;
    options.table.size = size_;
    options.fit = fit_;
    options.fit.size = size_.value_or(SizeMeasure::hfr);
    if (!arrived_.empty()) options.arrived = arrived_;
    return options;
  }

  // Many runs: lines on standard output as they come, the JSON file whole at the end.
  int run_each(const Rig& rig, const ToolStreams& streams) const {
    if (!plot_.empty() || !arrived_.empty()) {
      return report_failure(streams,
                            Error{ErrorCode::invalid_argument,
                                  "--plot and --arrived are for one run, not for each of many",
                                  "Leave them or --each out"});
    }
    if (auto allowed = check_outputs({common_.json}, input_.inputs); !allowed) {
      return report_failure(streams, allowed.error());
    }
    ProgressLine progress(streams, common_.quiet);
    const RunOptions options = options_of(rig, progress, streams);
    std::string lines;
    std::optional<Error> failure;
    bool all_trusted = true;
    const auto done =
        fit_each(input_.inputs, options, [&](const std::string& name, const RunFit& run) {
          all_trusted = all_trusted && run.fit.verdict == verdict_name(Verdict::trusted);
          progress.wipe();
          print_skipped(streams, run.skipped);
          const auto json = fit_json_line(name, run);
          if (!json) failure = failure ? failure : json.error();
          if (json && common_.json_to_stdout()) streams.out << *json << std::flush;
          if (json && !common_.json_to_stdout()) lines += *json;
          if (!common_.json_to_stdout()) streams.out << fit_line(name, run) << std::flush;
        });
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!done) return report_failure(streams, done.error());
    if (failure) return report_failure(streams, *failure);
    if (!streams.out) {
      return report_failure(streams,
                            Error{ErrorCode::cannot_write, "standard output: cannot be written",
                                  "Name a file with --json"});
    }
    if (!common_.json.empty() && !common_.json_to_stdout()) {
      if (auto written = write_output(common_.json, lines, input_.inputs, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    return all_trusted ? kTrusted : kNotTrusted;
  }

 private:
  static std::pair<std::string, std::string> parse_column(const std::string& text) {
    const auto equals = text.find('=');
    const std::string column = lower_case(trimmed(text.substr(0, equals)));
    const std::string name(equals == std::string::npos
                               ? std::string_view()
                               : trimmed(std::string_view(text).substr(equals + 1)));
    if (column.empty() || name.empty()) {
      throw CLI::ValidationError("--column",
                                 "'" + text + "' is not COLUMN=NAME, as in hfr=HalfFlux");
    }
    constexpr std::string_view kColumns[] = {"position", "hfr",   "hfd",        "fwhm",
                                             "sigma",    "stars", "flux",       "temperature",
                                             "filter",   "time",  "background", "eccentricity",
                                             "run",      "file",  "exposure"};
    if (std::find(std::begin(kColumns), std::end(kColumns), column) == std::end(kColumns)) {
      throw CLI::ValidationError("--column", "'" + column +
                                                 "' is no column that is read: position, hfr, hfd, "
                                                 "fwhm, sigma, stars, flux, temperature, filter, "
                                                 "time, background, eccentricity, run, file or "
                                                 "exposure");
    }
    return {column, name};
  }

  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  FitOptions fit_;
  TableOptions table_;
  std::optional<SizeMeasure> size_;
  std::string plot_;
  std::string arrived_;
  bool each_ = false;
};

}  // namespace

std::unique_ptr<Command> make_fit_command() { return std::make_unique<FitCommand>(); }

}  // namespace starwaist::tool
