#include <cmath>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <system_error>
#include <utility>
#include <vector>

#include "core/replace_file.h"
#include "render/best_focus.h"
#include "render/exposure.h"
#include "render/frame_file.h"
#include "render/scene.h"
#include "render/truth_json.h"
#include "starwaist/render.h"
#include "starwaist/rig.h"

namespace starwaist {

namespace {

namespace fs = std::filesystem;

constexpr const char* kTruthFile = "truth.json";

Result<RenderOptions> checked_run(const RenderOptions& given) {
  auto options = checked(given);
  if (options && options->positions_steps.empty()) {
    return fail(ErrorCode::invalid_argument, "positions_steps is empty",
                "Give at least one focuser position");
  }
  return options;
}

// The run's part of the truth, frames left out.
Result<RenderTruth> truth_of_field(const RenderOptions& options) {
  const auto best = render::best_focus_of(options);
  if (!best) return tl::unexpected(best.error());
  RenderTruth truth;
  // What best focus had moved by at the middle of the run: the exposures are evenly spaced in time.
  const int count = static_cast<int>(options.positions_steps.size());
  const double drift_um = 0.5 * (render::focus_drift_um(options, (count - 1) / 2) +
                                 render::focus_drift_um(options, count / 2));
  truth.best_focus_steps = best->position_steps + drift_um / options.um_per_step;
  truth.best_hfr_px = best->hfr_px;
  truth.critical_focus_zone_steps =
      4 * kReferenceWavelengthUm * options.f_number * options.f_number / options.um_per_step;
  truth.stars = render::field_of(options);
  truth.options = options;
  return truth;
}

tl::unexpected<Error> folder_failure(const fs::path& folder, const std::string& why,
                                     const std::string& remedy) {
  return fail(ErrorCode::cannot_write, folder.string() + ": " + why, remedy);
}

// Makes the folder, or checks that it may be written into, and clears an older run away.
Result<void> prepare_folder(const fs::path& folder, bool force) {
  std::error_code error;
  const fs::file_status status = fs::status(folder, error);
  if (fs::exists(status) && !fs::is_directory(status)) {
    return folder_failure(folder, "is a file", "Name a folder");
  }
  fs::create_directories(folder, error);
  if (error) return folder_failure(folder, error.message(), "Name a folder that can be made");
  const bool empty = fs::is_empty(folder, error);
  if (error) return folder_failure(folder, error.message(), "Check the folder's rights");
  if (empty) return {};
  if (!force) {
    return folder_failure(folder, "is not empty",
                          "Name another folder, or use --force to replace a run in it");
  }
  // The truth goes first, so that it never stands beside frames that it does not describe.
  std::ifstream in(folder / kTruthFile, std::ios::binary);
  const std::string text((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  in.close();
  const std::vector<std::string> files = render::frames_named_by(text);
  if (files.empty()) return {};
  fs::remove(folder / kTruthFile, error);
  for (const std::string& file : files) {
    // Only plain names of the kind written here, whatever the file says.
    if (file == fs::path(file).filename() && file.rfind("frame_", 0) == 0) {
      fs::remove(folder / file, error);
    }
  }
  return {};
}

}  // namespace

Result<Frame> render_frame(const RenderOptions& given, int index) {
  const auto options = checked_run(given);
  if (!options) return tl::unexpected(options.error());
  if (index < 0 || static_cast<std::size_t>(index) >= options->positions_steps.size()) {
    return fail(ErrorCode::invalid_argument,
                "frame " + std::to_string(index) + " is not in the run",
                "Give an index from 0 to the number of positions less one");
  }
  const auto scene = render::scene_of(*options, index);
  if (!scene) return tl::unexpected(scene.error());
  Frame frame;
  frame.file = scene->truth.file;
  frame.pixels =
      PixelBuffer(options->width_px, options->height_px, render::expose(*options, index, *scene));
  frame.facts = render::facts_of(*options, index);
  return frame;
}

Result<RenderTruth> render_truth(const RenderOptions& given) {
  const auto options = checked_run(given);
  if (!options) return tl::unexpected(options.error());
  auto truth = truth_of_field(*options);
  if (!truth) return truth;
  for (std::size_t i = 0; i < options->positions_steps.size(); ++i) {
    const auto scene = render::scene_of(*options, static_cast<int>(i));
    if (!scene) return tl::unexpected(scene.error());
    truth->frames.push_back(scene->truth);
  }
  return truth;
}

Result<RenderTruth> render_run(const RenderOptions& given, const std::string& folder, bool force,
                               const RenderHooks& hooks) {
  const auto options = checked_run(given);
  if (!options) return tl::unexpected(options.error());
  auto truth = truth_of_field(*options);
  if (!truth) return truth;
  const fs::path home(folder);
  if (const auto prepared = prepare_folder(home, force); !prepared) {
    return tl::unexpected(prepared.error());
  }
  const auto undo = [&] {
    std::error_code ignored;
    for (const RenderedFrame& frame : truth->frames) fs::remove(home / frame.file, ignored);
  };
  for (std::size_t i = 0; i < options->positions_steps.size(); ++i) {
    const int index = static_cast<int>(i);
    if (hooks.stop && hooks.stop()) {
      undo();
      return fail(ErrorCode::interrupted, "interrupted");
    }
    const auto scene = render::scene_of(*options, index);
    if (!scene) {
      undo();
      return tl::unexpected(scene.error());
    }
    const std::vector<std::uint16_t> pixels_adu = render::expose(*options, index, *scene);
    const auto written = render::write_frame_file(
        (home / scene->truth.file).string(), {options->width_px, options->height_px, pixels_adu},
        render::header_of(*options, index), options->tile_compressed);
    if (!written) {
      undo();
      return tl::unexpected(written.error());
    }
    truth->frames.push_back(scene->truth);
    if (hooks.progress)
      hooks.progress(index + 1, static_cast<int>(options->positions_steps.size()));
  }
  const auto written = truth_json(*truth).and_then([&](const std::string& text) {
    return core::replace_file((home / kTruthFile).string(), text);
  });
  if (!written) {
    undo();
    return tl::unexpected(written.error());
  }
  return truth;
}

}  // namespace starwaist
