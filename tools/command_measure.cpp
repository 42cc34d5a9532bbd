// starwaist measure: the stars of each frame.
#include <unistd.h>

#include <filesystem>
#include <set>

#include "job.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

namespace fs = std::filesystem;

constexpr const char* kMeasureExamples = R"(Examples:
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
  MeasureCommand()
      : Command(
            {"measure", "Measure the stars of each frame: size, shape, noise", kMeasureExamples}) {
    add_input_options(app(), settings_.input);
    add_common_options(app(), settings_.common);
    app().add_flag("--matched", matched_,
                   "Follow the same stars through all frames, as 'fit' does, instead of each frame "
                   "by itself");
    app().add_flag("--stars", stars_, "List every star in the JSON");
    add_path(app(), "--csv", csv_, "Write one row a frame; - is standard output");
    add_path(app(), "--overlay", overlay_, "Write a PNG a frame with the measured stars marked",
             "FOLDER");
    app().add_flag("--force", force_, "Write overlays into a folder that is not empty");
    add_rig_options(app(), settings_.rig);
  }

  int run(const ToolStreams& streams) override {
    return run_job(
        Job<RunInput, MeasuredRun>{
            .find = [this] { return find_frames(); },
            .outputs = outputs(),
            .ready = [this] { return check_overlay_folder(); },
            .work = [this](const RunInput& input, Work& work) { return measure(input, work); },
            .json = [this](const MeasuredRun& run) { return measure_json(run, {.stars = stars_}); },
            .text = shown,
            .status = [](const MeasuredRun&) { return kTrusted; }},
        settings_, streams);
  }

 private:
  [[nodiscard]] Result<Found<RunInput>> find_frames() const {
    auto found = find_run(settings_);
    if (found && found->input.table) {
      return fail(ErrorCode::no_data, *found->input.table + ": a table holds no frame to measure",
                  "Give frames, or use 'starwaist fit' for a table");
    }
    return found;
  }

  [[nodiscard]] std::vector<OutputFile<MeasuredRun>> outputs() const {
    return {
        {.name = {"--overlay", overlay_, OutputName::Kind::other},
         .write = [this](const MeasuredRun& run,
                         const Writer& writer) { return write_overlays(run, writer); }},
        {.name = {"--csv", csv_}, .write = [this](const MeasuredRun& run, const Writer& writer) {
           return writer.text(csv_, measure_csv(run));
         }}};
  }

  [[nodiscard]] Result<void> check_overlay_folder() const {
    if (overlay_.empty()) return {};
    std::error_code error;
    const auto status = fs::status(overlay_, error);
    if (fs::exists(status) && !fs::is_directory(status)) {
      return fail(ErrorCode::cannot_write, overlay_ + ": not a folder", "Name a folder");
    }
    // The folder, or the nearest one above it, in which it will be made.
    fs::path above = fs::weakly_canonical(fs::absolute(overlay_, error), error);
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

  [[nodiscard]] Result<MeasuredRun> measure(const RunInput& input, Work& work) const {
    work.options.follow = matched_;
    auto run = measure_run(input, work.options);
    if (!run) return run;
    if (matched_) use_matched_sizes(*run);
    work.skipped = run->skipped;
    return run;
  }

  static std::string shown(MeasuredRun run, const TextOptions& options) {
    run.skipped.clear();  // already named on standard error
    return measure_table(run, options);
  }

  [[nodiscard]] Result<void> write_overlays(const MeasuredRun& run, const Writer& writer) const {
    std::error_code error;
    fs::create_directories(overlay_, error);
    if (error) {
      return fail(ErrorCode::cannot_write, overlay_ + ": " + error.message(),
                  "Name another folder");
    }
    std::set<std::string> taken;
    for (std::size_t i = 0; i < run.frames.size(); ++i) {
      if (is_interrupted(writer.streams)) return fail(ErrorCode::interrupted, "interrupted");
      const std::string& file = run.frames[i].measurement.file;
      // Frames of two folders may share a name.
      std::string name = file;
      for (int copy = 2; !taken.insert(name).second; ++copy) {
        name = file + "-" + std::to_string(copy);
      }
      auto written = write_overlay(run.frames[i], (fs::path(overlay_) / (name + ".png")).string(),
                                   writer.protected_paths);
      if (!written) return written;
    }
    return {};
  }

  bool stars_ = false;
  bool matched_ = false;
  bool force_ = false;
  std::string csv_;
  std::string overlay_;
};

}  // namespace

std::unique_ptr<Command> make_measure_command() { return std::make_unique<MeasureCommand>(); }

}  // namespace starwaist::tool
