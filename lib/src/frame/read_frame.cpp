#include "frame/read_frame.h"

#include <algorithm>
#include <filesystem>
#include <new>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "frame/disk_file.h"
#include "frame/fits_file.h"
#include "frame/header_facts.h"
#include "frame/image_hdu.h"
#include "frame/picture_file.h"
#include "frame/raw_file.h"
#include "starwaist/frame.h"
#include "starwaist/numbers.h"

namespace starwaist {

namespace {

using frame_detail::DiskFile;
using frame_detail::FileKind;

Result<Frame> read_fits(const DiskFile& on_disk, const FrameReadOptions& options, int threads) {
  const frame_detail::CfitsioGuard guard;
  auto file = frame_detail::open_fits(on_disk);
  if (!file) return tl::unexpected<Error>(file.error());
  auto image = frame_detail::find_image(*file);
  if (!image) return tl::unexpected<Error>(image.error());
  auto facts =
      frame_detail::header_facts(frame_detail::read_header(file->handle.get(), image->number),
                                 image->height_px, options, file->name);
  if (!facts) return tl::unexpected<Error>(facts.error());
  auto pixels = frame_detail::read_pixels(*file, *image, threads);
  if (!pixels) return tl::unexpected<Error>(pixels.error());
  return Frame{on_disk.name, std::move(*pixels), std::move(*facts)};
}

// No header cards: of these facts the name alone may give one, the position.
Result<HeaderFacts> facts_without_header(const DiskFile& file, const FrameReadOptions& options,
                                         const PixelBuffer& pixels) {
  return frame_detail::header_facts(frame_detail::Header({}), pixels.height_px(), options,
                                    file.name);
}

Result<Frame> read_picture(const DiskFile& file, const FrameReadOptions& options) {
  const ColorChannel channel = options.channel.value_or(ColorChannel::green);
  auto pixels = frame_detail::kind_of(file.head) == FileKind::png
                    ? frame_detail::read_png(file, channel)
                    : frame_detail::read_tiff(file, channel);
  if (!pixels) return tl::unexpected<Error>(pixels.error());
  auto facts = facts_without_header(file, options, *pixels);
  if (!facts) return tl::unexpected<Error>(facts.error());
  return Frame{file.name, std::move(*pixels), std::move(*facts)};
}

// Absent where the file is not a camera's raw file.
Result<std::optional<Frame>> read_raw_frame(const DiskFile& file, const FrameReadOptions& options) {
  auto raw = frame_detail::read_raw(file);
  if (!raw) return tl::unexpected<Error>(raw.error());
  if (!*raw) return std::optional<Frame>();
  frame_detail::RawImage& image = **raw;
  auto facts = facts_without_header(file, options, image.pixels);
  if (!facts) return tl::unexpected<Error>(facts.error());
  const auto put = [&facts](const char* fact, const char* source, auto& value, auto& to) {
    if (!value) return;
    to = std::move(value);
    facts->keywords.emplace_back(fact, source);
  };
  put("exposure_s", "raw file", image.exposure_s, facts->exposure_s);
  put("time_utc", "camera's clock, zone unknown", image.camera_time, facts->time_utc);
  put("saturation_adu", "raw file", image.saturation_adu, facts->saturation_adu);
  put("bayer", "raw file", image.bayer, facts->bayer);
  return Frame{file.name, std::move(image.pixels), std::move(*facts)};
}

Result<Frame> read_by_kind(const DiskFile& file, const FrameReadOptions& options, int threads) {
  const FileKind kind = frame_detail::kind_of(file.head);
  if (kind == FileKind::fits || kind == FileKind::packed_fits) {
    return read_fits(file, options, threads);
  }
  if (kind == FileKind::other || (kind == FileKind::tiff && frame_detail::may_be_raw_tiff(file))) {
    auto raw = read_raw_frame(file, options);
    if (!raw) return tl::unexpected<Error>(raw.error());
    if (*raw) return std::move(**raw);
  }
  if (kind != FileKind::other) return read_picture(file, options);
  return fail(ErrorCode::unsupported_format,
              file.name + ": is no FITS, TIFF, PNG or camera raw file that can be read",
              "Give such frames; if it is one, it is damaged: copy it again or leave it out");
}

// True where `name`, in lower case, has a letter before one of the endings.
bool ends_with_one_of(std::string_view name, std::initializer_list<std::string_view> endings) {
  return std::any_of(endings.begin(), endings.end(), [name](std::string_view ending) {
    return name.size() > ending.size() && name.substr(name.size() - ending.size()) == ending;
  });
}

std::string lower_case_name(const std::string& path) {
  return lower_case(std::filesystem::path(path).filename().string());
}

}  // namespace

Result<Frame> frame_detail::read_frame(const std::string& path, const FrameReadOptions& options,
                                       int threads) {
  const auto file = frame_detail::look_at_file(path);
  if (!file) return tl::unexpected<Error>(file.error());
  try {
    return read_by_kind(*file, options, threads);
  } catch (const std::bad_alloc&) {
    return fail(ErrorCode::unreadable, file->name + ": is larger than the free memory",
                "Use fewer --threads, or leave the file out");
  }
}

Result<Frame> read_frame(const std::string& path, const FrameReadOptions& options) {
  return frame_detail::read_frame(path, options, 1);
}

bool is_frame_name(const std::string& path) {
  const std::string name = lower_case_name(path);
  std::string_view unzipped = name;
  if (ends_with_one_of(name, {".gz"})) unzipped.remove_suffix(3);
  return ends_with_one_of(unzipped, {".fits", ".fit", ".fts", ".fz"}) ||
         ends_with_one_of(name, {".tif", ".tiff", ".dng", ".cr2", ".cr3", ".crw", ".nef", ".nrw",
                                 ".arw", ".sr2", ".raf", ".orf", ".rw2", ".pef", ".srw", ".raw"});
}

bool is_png_name(const std::string& path) {
  return ends_with_one_of(lower_case_name(path), {".png"});
}

}  // namespace starwaist
