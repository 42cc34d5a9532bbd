// starwaist measure: the stars of each frame.
#include <unistd.h>

#include <filesystem>
#include <set>

#include "command.h"
#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

namespace fs = std::filesystem;

constexpr const char* kExamples = R"(Examples:
  starwaist measure run-0203
      Star sizes of every frame in the folder, as a table.
  starwaist measure run-0203 --csv sizes.csv --overlay pictures
      One row a frame for a spreadsheet, and a picture of each frame with its stars marked.
  starwaist measure f01.fits f02.fits --stars --json - --region 500,300,800,600
      Every star inside a rectangle, as JSON on standard output.
Exit status: 0 a frame was measured; 2 wrong usage; 3 no usable frame, or an output that cannot
be written; 130 interrupted.)";

class MeasureCommand : public Command {
 public:
  MeasureCommand() : Command("measure", "Measure the stars of each frame: size, shape, noise") {
    add_input_options(app(), input_);
    add_common_options(app(), common_);
    app().add_flag("--matched", matched_,
                   "Follow the same stars through all frames, as 'fit' does, instead of each frame "
                   "by itself");
    app().add_flag("--stars", stars_, "List every star in the JSON");
    app()
        .add_option("--csv", csv_, "Write one row a frame; - is standard output")
        ->type_name("FILE");
    app()
        .add_option("--overlay", overlay_, "Write a PNG a frame with the measured stars marked")
        ->type_name("FOLDER");
    app().add_flag("--force", force_, "Write overlays into a folder that is not empty");
    add_rig_options(app(), rig_);
    app().footer(kExamples);
  }

  int run(const ToolStreams& streams) override {
    if (common_.json_to_stdout() && csv_ == "-") {
      return report_failure(
          streams, Error{ErrorCode::invalid_argument, "--json and --csv both go to standard output",
                         "Name a file for one of them"});
    }
    const auto checked_rig = checked(rig_);
    if (!checked_rig) return report_failure(streams, checked_rig.error());
    const auto found = find_run_input(input_.inputs);
    if (!found) return report_failure(streams, found.error());
    if (found->table) {
      return report_failure(
          streams, Error{ErrorCode::no_data, *found->table + ": a table holds no frame to measure",
                         "Give frames, or use 'starwaist fit' for a table"});
    }
    protected_ = protected_paths_of(*found);
    if (auto allowed = check_all_outputs(); !allowed)
      return report_failure(streams, allowed.error());

    ProgressLine progress(streams, common_.quiet);
    RunOptions options = run_options_of(common_, input_, *checked_rig, progress, streams);
    options.follow = matched_;
    auto run = measure_run(*found, options);
    progress.wipe();
    if (is_interrupted(streams)) return report_interrupt(streams);
    if (!run) return report_failure(streams, run.error());
    if (matched_) use_matched_sizes(*run);
    print_skipped(streams, run->skipped);
    return write_all(*run, streams);
  }

 private:
  [[nodiscard]] Result<void> check_all_outputs() const {
    if (auto allowed = check_outputs({common_.json, csv_}, protected_); !allowed) return allowed;
    if (overlay_.empty()) return {};
    std::error_code error;
    const auto status = fs::status(overlay_, error);
    if (fs::exists(status) && !fs::is_directory(status)) {
      return fail(ErrorCode::cannot_write, overlay_ + ": not a folder", "Name a folder");
    }
    // The folder, or the nearest one above it, in which it will be made.
    fs::path above = fs::weakly_canonical(overlay_, error);
    while (above.has_relative_path() && !fs::exists(above, error)) above = above.parent_path();
    if (!fs::is_directory(above, error) || ::access(above.c_str(), W_OK | X_OK) != 0) {
      return fail(ErrorCode::cannot_write, overlay_ + ": this folder cannot be written to",
                  "Name another folder");
    }
    if (fs::is_directory(status) && !fs::is_empty(overlay_, error) && !force_) {
      return fail(ErrorCode::cannot_write, overlay_ + ": the folder is not empty",
                  "Name an empty folder or add --force");
    }
    return {};
  }

  int write_all(const MeasuredRun& run, const ToolStreams& streams) const {
    const auto json = measure_json(run, {.stars = stars_});
    if (!json) return report_failure(streams, json.error());
    if (!overlay_.empty()) {
      if (auto written = write_overlays(run, streams); !written) {
        return report_failure(streams, written.error());
      }
      if (is_interrupted(streams)) return report_interrupt(streams);
    }
    if (!csv_.empty()) {
      if (auto written = write_output(csv_, measure_csv(run), protected_, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (!common_.json.empty()) {
      if (auto written = write_output(common_.json, *json, protected_, streams); !written) {
        return report_failure(streams, written.error());
      }
    }
    if (common_.json_to_stdout() || csv_ == "-") return kTrusted;
    MeasuredRun shown = run;
    shown.skipped.clear();  // already named on standard error
    if (common_.quiet) {
      for (auto& frame : shown.frames) frame.measurement.remarks.clear();
    }
    if (auto written = write_output("-", measure_table(shown), {}, streams); !written) {
      return report_failure(streams, written.error());
    }
    return kTrusted;
  }

  Result<void> write_overlays(const MeasuredRun& run, const ToolStreams& streams) const {
    std::error_code error;
    fs::create_directories(overlay_, error);
    if (error) {
      return fail(ErrorCode::cannot_write, overlay_ + ": " + error.message(),
                  "Name another folder");
    }
    std::set<std::string> taken;
    for (std::size_t i = 0; i < run.frames.size() && !is_interrupted(streams); ++i) {
      const std::string& file = run.frames[i].measurement.file;
      // Frames of two folders may share a name.
      std::string name = file;
      for (int copy = 2; !taken.insert(name).second; ++copy) {
        name = file + "-" + std::to_string(copy);
      }
      auto written =
          write_overlay(run.frames[i], (fs::path(overlay_) / (name + ".png")).string(), protected_);
      if (!written) return written;
    }
    return {};
  }

  InputOptions input_;
  CommonOptions common_;
  Rig rig_;
  bool stars_ = false;
  bool matched_ = false;
  bool force_ = false;
  std::string csv_;
  std::string overlay_;
  std::vector<std::string> protected_;
};

}  // namespace

std::unique_ptr<Command> make_measure_command() { return std::make_unique<MeasureCommand>(); }

}  // namespace starwaist::tool
