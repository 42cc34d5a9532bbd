#include <algorithm>
#include <filesystem>
#include <new>
#include <string>
#include <string_view>
#include <utility>

#include "frame/disk_file.h"
#include "frame/fits_file.h"
#include "frame/header_facts.h"
#include "frame/image_hdu.h"
#include "frame/picture_file.h"
#include "starwaist/frame.h"
#include "starwaist/numbers.h"

namespace starwaist {

namespace {

using frame_detail::DiskFile;
using frame_detail::FileKind;

Result<Frame> read_fits(const DiskFile& on_disk, const FrameReadOptions& options) {
  const frame_detail::CfitsioGuard guard;
  auto file = frame_detail::open_fits(on_disk);
  if (!file) return tl::unexpected<Error>(file.error());
  auto image = frame_detail::find_image(*file);
  if (!image) return tl::unexpected<Error>(image.error());
  auto facts =
      frame_detail::header_facts(frame_detail::read_header(file->handle.get(), image->number),
                                 image->height_px, options, file->name);
  if (!facts) return tl::unexpected<Error>(facts.error());
  auto pixels = frame_detail::read_pixels(*file, *image);
  if (!pixels) return tl::unexpected<Error>(pixels.error());
  return Frame{on_disk.name, std::move(*pixels), std::move(*facts)};
}

// A TIFF or PNG file: no header cards, so that the name alone may tell a position.
Result<Frame> read_picture(const DiskFile& file, const FrameReadOptions& options) {
  const ColorChannel channel = options.channel.value_or(ColorChannel::green);
  auto pixels = frame_detail::kind_of(file.head) == FileKind::png
                    ? frame_detail::read_png(file, channel)
                    : frame_detail::read_tiff(file, channel);
  if (!pixels) return tl::unexpected<Error>(pixels.error());
  auto facts =
      frame_detail::header_facts(frame_detail::Header({}), pixels->height_px(), options, file.name);
  if (!facts) return tl::unexpected<Error>(facts.error());
  return Frame{file.name, std::move(*pixels), std::move(*facts)};
}

Result<Frame> read_by_kind(const DiskFile& file, const FrameReadOptions& options) {
  switch (frame_detail::kind_of(file.head)) {
    case FileKind::fits:
    case FileKind::packed_fits:
      return read_fits(file, options);
    case FileKind::tiff:
    case FileKind::png:
      return read_picture(file, options);
    case FileKind::other:
      break;
  }
  return fail(ErrorCode::unsupported_format, file.name + ": is not a FITS, TIFF or PNG file",
              "Give the frames as FITS, TIFF or PNG files");
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

Result<Frame> read_frame(const std::string& path, const FrameReadOptions& options) {
  const auto file = frame_detail::look_at_file(path);
  if (!file) return tl::unexpected<Error>(file.error());
  try {
    return read_by_kind(*file, options);
  } catch (const std::bad_alloc&) {
    return fail(ErrorCode::unreadable, file->name + ": is larger than the free memory",
                "Use fewer --threads, or leave the file out");
  }
}

bool is_frame_name(const std::string& path) {
  const std::string name = lower_case_name(path);
  std::string_view unzipped = name;
  if (ends_with_one_of(name, {".gz"})) unzipped.remove_suffix(3);
  return ends_with_one_of(unzipped, {".fits", ".fit", ".fts", ".fz"}) ||
         ends_with_one_of(name, {".tif", ".tiff"});
}

bool is_png_name(const std::string& path) {
  return ends_with_one_of(lower_case_name(path), {".png"});
}

}  // namespace starwaist
