#include <algorithm>
#include <atomic>
#include <filesystem>
#include <mutex>
#include <thread>
#include <variant>

#include "run/manifest.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

struct Measured {
  FrameMeasurement frame;
  Rig rig;  // what the frame's header says of it
};

Rig rig_of(const HeaderFacts& facts) {
  Rig rig;
  rig.focal_length_mm = facts.focal_length_mm;
  rig.aperture_mm = facts.aperture_mm;
  rig.pixel_um = facts.pixel_um;
  return rig;
}

Result<Measured> measure_file(const std::string& path, const RunInput& input,
                              const RunOptions& options) {
  FrameReadOptions read = options.read;
  if (!read.channel) read.channel = options.measure.channel;
  Result<Frame> frame = read_frame(path, read);
  if (!frame) return tl::unexpected<Error>(frame.error());
  const auto stated = input.stated.find(run_detail::canonical_path(path));
  if (stated != input.stated.end()) run_detail::apply(stated->second, frame->facts);
  const Rig rig = rig_of(frame->facts);
  auto measured = measure_frame(*frame, options.measure);
  if (!measured) return tl::unexpected<Error>(measured.error());
  return Measured{std::move(*measured), rig};
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
  std::atomic<std::size_t> next{0};
  std::mutex reporting;
  int done = 0;
  const auto work = [&] {
    for (std::size_t i = next++; i < frames.size(); i = next++) {
      if (options.stop && options.stop()) return;
      slots[i] = measure_file(frames[i], input, options);
      const std::lock_guard lock(reporting);
      ++done;
      if (options.progress) options.progress(done, static_cast<int>(frames.size()));
    }
  };
  const unsigned cores = std::max(1U, std::thread::hardware_concurrency());
  const std::size_t wanted =
      options.threads > 0 ? static_cast<std::size_t>(options.threads) : cores;
  const std::size_t count = std::min(wanted, frames.size());
  {
    std::vector<std::jthread> helpers;
    for (std::size_t k = 1; k < count; ++k) helpers.emplace_back(work);
    work();
  }
  for (const auto& slot : slots) {
    if (!slot && slot.error().code == ErrorCode::interrupted) return tl::unexpected(slot.error());
  }

  RunMeasurement run;
  run.rig = options.rig;
  run.skipped = input.skipped;
  const Error* first_error = nullptr;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (slots[i]) {
      run.rig = completed(run.rig, slots[i]->rig);
      run.frames.push_back(std::move(slots[i]->frame));
      run.paths.push_back(frames[i]);
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
  return run;
}

}  // namespace starwaist
