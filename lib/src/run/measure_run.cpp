#include <algorithm>
#include <filesystem>
#include <memory>
#include <mutex>
#include <variant>

#include "core/parallel.h"
#include "frame/read_frame.h"
#include "intake/manifest.h"
#include "stars/run_camera.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

struct Measured {
  FrameMeasurement frame;
  std::shared_ptr<const FrameModel> model;
  Rig rig;  // what the frame's header says of it
  std::optional<double> altitude_deg;
  std::optional<SkyCells> sky;
};

Rig rig_of(const HeaderFacts& facts) {
  Rig rig;
  rig.focal_length_mm = facts.focal_length_mm;
  rig.aperture_mm = facts.aperture_mm;
  rig.pixel_um = facts.pixel_um;
  return rig;
}

FrameReadOptions read_options_of(const RunOptions& options) {
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  return read;
}

// Of a mosaic frame one colour, here, where the mosaic can be given up: measure_frame would keep it
// beside the colour.
Frame one_colour(Frame frame, const RunOptions& options) {
  return color_channel(std::move(frame), options.measure.channel.value_or(ColorChannel::green));
}

Result<Measured> measure_file(const std::string& path, const RunInput& input,
                              const RunOptions& options, int threads) {
  Result<Frame> frame = frame_detail::read_frame(path, read_options_of(options), threads);
  if (!frame) return tl::unexpected<Error>(frame.error());
  const auto stated = input.stated.find(intake_detail::canonical_path(path));
  if (stated != input.stated.end()) intake_detail::apply(stated->second, frame->facts);
  const Rig rig = rig_of(frame->facts);
  MeasureOptions measure = options.measure;
  measure.threads = threads;
  if (!measure.halo_px) measure.halo_px = diffraction_halo_px(completed(options.rig, rig));
  Measured result;
  result.rig = rig;
  result.altitude_deg = frame->facts.altitude_deg;
  *frame = one_colour(std::move(*frame), options);
  if (options.field) result.sky = sky_cells(*frame);
  auto measured = measure_frame(*frame, measure, &result.model);
  if (!measured) return tl::unexpected<Error>(measured.error());
  result.frame = std::move(*measured);
  return result;
}

// Adds to each frame the stars that were not found in it. Frames that can no longer be read stay as
// they are.
void follow_stars(std::vector<FrameMeasurement>& frames,
                  const std::vector<std::shared_ptr<const FrameModel>>& models,
                  const std::vector<std::string>& paths, const RunOptions& options) {
  const auto missing = missing_stars(frames);
  const int threads = core::thread_count(options.threads);
  core::parallel_for(frames.size(), threads, [&](std::size_t i) {
    if (missing[i].empty() || !models[i] || (options.stop && options.stop())) return;
    auto pixels = read_frame(paths[i], read_options_of(options));
    if (!pixels) return;
    *pixels = one_colour(std::move(*pixels), options);
    measure_known_stars(*pixels, *models[i], missing[i], options.measure, frames[i]);
  });
}

}  // namespace

Result<RunMeasurement> measure_run(const std::vector<std::string>& frames,
                                   const RunOptions& options) {
  RunInput input;
  input.frames = frames;
  return measure_run(input, options);
}

Result<RunMeasurement> measure_run(const RunInput& input, const RunOptions& options) {
  const std::vector<std::string>& frames = input.frames;
  if (frames.empty())
    return fail(ErrorCode::no_data, "no frame was given", "Name a folder or files");
  // Each thread takes the next frame and writes its own slot: the order of the answer is the
  // input's, and at most one frame a thread is in memory.
  std::vector<Result<Measured>> slots(frames.size(), fail(ErrorCode::interrupted, "interrupted"));
  std::mutex reporting;
  int done = 0;
  const int threads = core::thread_count(options.threads);
  // Fewer frames than threads: the rest work within the frames.
  const int within = std::max(1, threads / static_cast<int>(frames.size()));
  core::parallel_for(frames.size(), threads, [&](std::size_t i) {
    if (options.stop && options.stop()) return;
    slots[i] = measure_file(frames[i], input, options, within);
    const std::lock_guard lock(reporting);
    ++done;
    if (options.progress) options.progress(done, static_cast<int>(frames.size()));
  });
  for (const auto& slot : slots) {
    if (!slot && slot.error().code == ErrorCode::interrupted) return tl::unexpected(slot.error());
  }

  RunMeasurement run;
  std::vector<std::shared_ptr<const FrameModel>> models;
  run.rig = options.rig;
  run.skipped = input.skipped;
  const Error* first_error = nullptr;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (slots[i]) {
      run.rig = completed(run.rig, slots[i]->rig);
      if (slots[i]->sky) run.sky_of[slots[i]->frame.file] = std::move(*slots[i]->sky);
      run.frames.push_back(std::move(slots[i]->frame));
      models.push_back(std::move(slots[i]->model));
      run.paths.push_back(frames[i]);
      run.altitudes_deg.push_back(slots[i]->altitude_deg);
      continue;
    }
    if (first_error == nullptr) first_error = &slots[i].error();
    run.skipped.push_back(
        {std::filesystem::path(frames[i]).filename().string(), slots[i].error().text()});
  }
  if (run.frames.empty()) {
    const std::string more = frames.size() > 1 ? " (and none of the other " +
                                                     std::to_string(frames.size() - 1) + " files)"
                                               : "";
    return fail(ErrorCode::no_data, first_error->message + more, first_error->remedy);
  }
  if (options.follow && run.frames.size() > 1) {
    stars::share_camera(models, run.frames);
    follow_stars(run.frames, models, run.paths, options);
    if (options.stop && options.stop()) return fail(ErrorCode::interrupted, "interrupted");
  }
  return run;
}

void use_matched_sizes(std::vector<FrameMeasurement>& frames) {
  const auto hfr = match_sizes(frames, StarSize::hfr);
  const auto fwhm = match_sizes(frames, StarSize::fwhm);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (!hfr[i].matched) {
      frames[i].remarks.push_back(
          "shares too few stars with the other frames: its sizes are those of its own stars");
      continue;
    }
    frames[i].hfr_px = hfr[i].size_px;
    frames[i].hfr_sigma_px = hfr[i].sigma_px;
    frames[i].star_count = hfr[i].stars;
    if (!fwhm[i].matched) continue;
    frames[i].fwhm_px = fwhm[i].size_px;
    frames[i].fwhm_sigma_px = fwhm[i].sigma_px;
  }
}

}  // namespace starwaist
