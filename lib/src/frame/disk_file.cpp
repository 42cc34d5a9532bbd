#include "frame/disk_file.h"

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <limits>
#include <system_error>

namespace starwaist::frame_detail {

namespace fs = std::filesystem;

namespace {

constexpr std::size_t kCardBytes = 80;  // FITS standard 4.0, section 4.1.2: one header card

using namespace std::string_view_literals;

bool begins_with_one_of(std::string_view head, std::initializer_list<std::string_view> magics) {
  return std::any_of(magics.begin(), magics.end(), [head](std::string_view magic) {
    return head.substr(0, magic.size()) == magic;
  });
}

}  // namespace

Result<DiskFile> look_at_file(const std::string& path) {
  DiskFile file;
  file.path = path;
  file.name = fs::path(path).filename().string();
  if (file.name.empty()) file.name = path;

  std::error_code error;
  const fs::file_status found = fs::status(path, error);
  if (found.type() == fs::file_type::not_found) {
    return fail(ErrorCode::not_found, file.name + ": no such file", "Check the path " + path);
  }
  if (found.type() == fs::file_type::directory) {
    return fail(ErrorCode::unsupported_format, file.name + ": is a folder, not a frame",
                "Name a frame's file");
  }
  if (found.type() != fs::file_type::regular) {  // a pipe or a device could block for ever
    return fail(ErrorCode::unreadable, file.name + ": is not a regular file",
                "Name a frame's file on disk");
  }
  std::ifstream stream(path, std::ios::binary);
  if (!stream) {
    return fail(ErrorCode::unreadable,
                file.name + ": cannot be opened (" + std::strerror(errno) + ")",
                "Check the file's permissions");
  }
  file.head.resize(kCardBytes);
  stream.read(file.head.data(), static_cast<std::streamsize>(file.head.size()));
  file.head.resize(static_cast<std::size_t>(stream.gcount()));
  file.bytes = static_cast<long long>(fs::file_size(path, error));
  if (file.head.empty()) {
    return fail(ErrorCode::no_data, file.name + ": is empty", "Take or copy the frame again");
  }
  return file;
}

FileKind kind_of(std::string_view head) {
  if (begins_with_one_of(head, {"SIMPLE  ="})) return FileKind::fits;
  if (begins_with_one_of(head, {"\x1f\x8b", "PK\x03\x04", "\x1f\x9d", "BZh"})) {
    return FileKind::packed_fits;
  }
  // TIFF 6.0, section 2; 43 in place of 42 for BigTIFF.
  if (begins_with_one_of(head, {"II*\0"sv, "MM\0*"sv, "II+\0"sv, "MM\0+"sv})) {
    return FileKind::tiff;
  }
  // PNG specification, section 5.2.
  if (begins_with_one_of(head, {"\x89PNG\r\n\x1a\n"})) return FileKind::png;
  return FileKind::other;
}

std::string axes_text(long long width_px, long long height_px) {
  return std::to_string(width_px) + " x " + std::to_string(height_px) + " pixels";
}

Result<void> check_promise(const DiskFile& file, long long width_px, long long height_px,
                           double unpacked_bytes, double largest_ratio) {
  if (width_px < 1 || height_px < 1) {
    return fail(ErrorCode::no_data, file.name + ": its image has no pixels",
                "Give a frame as the camera wrote it");
  }
  const std::string axes = axes_text(width_px, height_px);
  if (std::max(width_px, height_px) > std::numeric_limits<int>::max() ||
      width_px > kMaxPixels / height_px) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": the header promises " + axes + ", more than can be read",
                "The header is damaged, or the image is no frame of a camera");
  }
  if (unpacked_bytes > largest_ratio * static_cast<double>(file.bytes)) {
    return fail(ErrorCode::unreadable,
                file.name + ": the header promises " + axes + ", too many for a file of " +
                    std::to_string(file.bytes) + " bytes",
                "The file is damaged or incomplete: copy it again or leave it out");
  }
  return {};
}

tl::unexpected<Error> damaged(const DiskFile& file, const std::string& what) {
  return fail(ErrorCode::unreadable, file.name + ": " + what,
              "The file is damaged or incomplete: copy it again or leave it out");
}

}  // namespace starwaist::frame_detail
