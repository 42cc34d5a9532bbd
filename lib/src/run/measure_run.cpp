#include <algorithm>
#include <filesystem>
#include <mutex>

#include "core/parallel.h"
#include "frame/read_frame.h"
#include "intake/manifest.h"
#include "run/follow_stars.h"
#include "run/leave_out_fixed.h"
#include "run/matched_sizes.h"
#include "stars/run_camera.h"
#include "starwaist/codes.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

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

Result<void> check_size(const Frame& frame, const DefectMap& defects) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  if (width == defects.width_px && height == defects.height_px) return {};
  const auto words = [](int x, int y) { return std::to_string(x) + " x " + std::to_string(y); };
  return fail(ErrorCode::invalid_argument,
              defects.source + ": has " + words(defects.width_px, defects.height_px) + " pixels, " +
                  frame.file + " has " + words(width, height),
              "Give darks of the frames' own size and binning");
}

Result<MeasuredFrame> measure_file(const std::string& path, const RunInput& input,
                                   const RunOptions& options, int threads) {
  Result<Frame> frame = frame_detail::read_frame(path, read_options_of(options), threads);
  if (!frame) return tl::unexpected<Error>(frame.error());
  const auto stated = input.stated.find(intake_detail::canonical_path(path));
  if (stated != input.stated.end()) intake_detail::apply(stated->second, frame->facts);
  MeasuredFrame result;
  result.path = path;
  result.facts = frame->facts;
  MeasureOptions measure = options.measure;
  measure.threads = threads;
  if (!measure.halo_px) {
    measure.halo_px = diffraction_halo_px(completed(options.rig, rig_of(result.facts)));
  }
  result.halo_px = measure.halo_px;
  if (measure.defects) {
    if (auto fits = check_size(*frame, *measure.defects); !fits) {
      return tl::unexpected<Error>(fits.error());
    }
  }
  // Here, where the mosaic can be given up: measure_frame would keep it beside the colour.
  *frame = one_colour(std::move(*frame), measure);
  if (options.sky) result.sky = sky_cells(*frame);
  auto measured = measure_frame(*frame, measure, &result.model);
  if (!measured) return tl::unexpected<Error>(measured.error());
  result.measurement = std::move(*measured);
  return result;
}

// Each file by itself, in the order of the input; interrupted where one was not begun.
std::vector<Result<MeasuredFrame>> measure_files(const RunInput& input, const RunOptions& options) {
  // Each thread takes the next frame and writes its own slot: the order of the answer is the
  // input's, and at most one frame a thread is in memory.
  const std::vector<std::string>& paths = input.frames;
  std::vector<Result<MeasuredFrame>> slots(paths.size(),
                                           fail(ErrorCode::interrupted, "interrupted"));
  std::mutex reporting;
  int done = 0;
  const int threads = core::thread_count(options.threads);
  // Fewer frames than threads: the rest work within the frames.
  const int within = std::max(1, threads / static_cast<int>(paths.size()));
  core::parallel_for(paths.size(), threads, [&](std::size_t i) {
    if (options.stop && options.stop()) return;
    slots[i] = measure_file(paths[i], input, options, within);
    const std::lock_guard lock(reporting);
    ++done;
    if (options.progress) options.progress(done, static_cast<int>(paths.size()));
  });
  return slots;
}

}  // namespace

Result<MeasuredRun> measure_run(const std::vector<std::string>& frames, const RunOptions& options) {
  RunInput input;
  input.frames = frames;
  return measure_run(input, options);
}

Result<MeasuredRun> measure_run(const RunInput& input, const RunOptions& options) {
  if (input.frames.empty()) {
    return fail(ErrorCode::no_data, "no frame was given", "Name a folder or files");
  }
  MeasuredRun run;
  run.rig = options.rig;
  run.skipped = input.skipped;
  std::optional<Error> first_error;
  auto slots = measure_files(input, options);
  for (std::size_t i = 0; i < slots.size(); ++i) {
    if (slots[i]) {
      run.rig = completed(run.rig, rig_of(slots[i]->facts));
      run.frames.push_back(std::move(*slots[i]));
      continue;
    }
    const Error& error = slots[i].error();
    if (error.code == ErrorCode::interrupted) return tl::unexpected<Error>(error);
    if (!first_error) first_error = error;
    run.skipped.push_back(
        skipped_by(std::filesystem::path(input.frames[i]).filename().string(), error));
  }
  if (run.frames.empty()) {
    const std::size_t others = slots.size() - 1;
    const std::string more =
        others > 0 ? " (and none of the other " + std::to_string(others) + " files)" : "";
    return fail(ErrorCode::no_data, first_error->message + more, first_error->remedy);
  }
  if (options.follow) {
    if (auto followed = run_detail::follow_stars(run.frames, options); !followed) {
      return tl::unexpected<Error>(followed.error());
    }
  }
  return run;
}

Result<void> run_detail::follow_stars(std::vector<MeasuredFrame>& frames,
                                      const RunOptions& options) {
  if (frames.size() < 2) return {};
  const auto defects = leave_out_fixed(frames, options);
  stars::share_camera(frames);
  const auto missing = missing_stars(frames, align_frames(frames));
  const int threads = core::thread_count(options.threads);
  MeasureOptions measure = options.measure;
  if (defects) measure.defects = defects;
  core::parallel_for(frames.size(), threads, [&](std::size_t i) {
    MeasuredFrame& frame = frames[i];
    if (missing[i].empty() || !frame.model || (options.stop && options.stop())) return;
    auto pixels = read_frame(frame.path, read_options_of(options));
    if (!pixels) return;
    *pixels = one_colour(std::move(*pixels), measure);
    measure_known_stars(*pixels, *frame.model, missing[i], measure, frame.measurement);
  });
  if (options.stop && options.stop()) return fail(ErrorCode::interrupted, "interrupted");
  return {};
}

void run_detail::use_matched_sizes(std::span<MeasuredFrame* const> frames) {
  FrameGroup group;
  for (const MeasuredFrame* frame : frames) group.add(frame->measurement);
  const auto hfr = match_sizes(group, align_frames(group), SizeMeasure::hfr);
  const auto fwhm = match_sizes(group, align_frames(group, SizeMeasure::fwhm), SizeMeasure::fwhm);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    FrameMeasurement& frame = frames[i]->measurement;
    if (!hfr[i].matched) {
      frame.remarks.push_back(
          {codes::few_shared_stars,
           "shares too few stars with the other frames: its sizes are those of its own stars"});
      continue;
    }
    frame.hfr_px = hfr[i].size_px;
    frame.hfr_sigma_px = hfr[i].sigma_px;
    frame.star_count = hfr[i].stars;
    if (!fwhm[i].matched) continue;
    frame.fwhm_px = fwhm[i].size_px;
    frame.fwhm_sigma_px = fwhm[i].sigma_px;
  }
}

void use_matched_sizes(MeasuredRun& run) {
  std::vector<MeasuredFrame*> all;
  for (MeasuredFrame& frame : run.frames) all.push_back(&frame);
  run_detail::use_matched_sizes(all);
}

}  // namespace starwaist
