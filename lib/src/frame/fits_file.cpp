#include "frame/fits_file.h"

#include <array>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <string_view>
#include <system_error>

namespace starwaist::frame_detail {

namespace fs = std::filesystem;

namespace {

constexpr std::size_t kCardBytes = 80;  // FITS standard 4.0, section 4.1.2: one header card

enum class Kind { fits, compressed, other };

// What the first bytes say. CFITSIO unpacks gzip, zip, compress and bzip2 files itself.
Kind kind_of(std::string_view head) {
  if (head.substr(0, 9) == "SIMPLE  =") return Kind::fits;
  for (const std::string_view magic : {"\x1f\x8b", "PK\x03\x04", "\x1f\x9d", "BZh"}) {
    if (head.substr(0, magic.size()) == magic) return Kind::compressed;
  }
  return Kind::other;
}

}  // namespace

CfitsioGuard::CfitsioGuard() {
  static std::mutex one_at_a_time;
  if (fits_is_reentrant() == 0) lock_.emplace(one_at_a_time);
}

std::optional<long long> integer_key(fitsfile* handle, const char* name) {
  LONGLONG value = 0;
  int status = 0;
  fits_read_key(handle, TLONGLONG, name, &value, nullptr, &status);
  if (status == 0) return value;
  fits_clear_errmsg();
  return std::nullopt;
}

std::string status_text(int status) {
  std::array<char, FLEN_STATUS> text{};
  fits_get_errstatus(status, text.data());
  fits_clear_errmsg();
  return text.data();
}

tl::unexpected<Error> fits_failure(const FitsFile& file, const std::string& what, int status) {
  return fail(ErrorCode::unreadable, file.name + ": " + what + " (" + status_text(status) + ")",
              "The file is damaged or incomplete: copy it again or leave it out");
}

Result<FitsFile> open_fits(const std::string& path) {
  FitsFile file;
  file.name = fs::path(path).filename().string();
  if (file.name.empty()) file.name = path;

  std::error_code error;
  const fs::file_status found = fs::status(path, error);
  if (found.type() == fs::file_type::not_found) {
    return fail(ErrorCode::not_found, file.name + ": no such file", "Check the path " + path);
  }
  if (found.type() == fs::file_type::directory) {
    return fail(ErrorCode::unsupported_format, file.name + ": is a folder, not a frame",
                "Name a FITS file");
  }
  if (found.type() != fs::file_type::regular) {  // a pipe or a device could block for ever
    return fail(ErrorCode::unreadable, file.name + ": is not a regular file",
                "Name a FITS file on disk");
  }
  std::ifstream stream(path, std::ios::binary);
  if (!stream) {
    return fail(ErrorCode::unreadable,
                file.name + ": cannot be opened (" + std::strerror(errno) + ")",
                "Check the file's permissions");
  }
  std::array<char, kCardBytes> head{};
  stream.read(head.data(), static_cast<std::streamsize>(head.size()));
  const auto head_bytes = static_cast<std::size_t>(stream.gcount());
  file.file_bytes = static_cast<long long>(fs::file_size(path, error));
  if (head_bytes == 0) {
    return fail(ErrorCode::no_data, file.name + ": is empty", "Take or copy the frame again");
  }
  const Kind kind = kind_of(std::string_view(head.data(), head_bytes));
  if (kind == Kind::other) {
    return fail(ErrorCode::unsupported_format, file.name + ": is not a FITS file",
                "Give FITS frames (.fits, .fz or .gz)");
  }
  file.plain_on_disk = kind == Kind::fits;

  // The absolute path keeps CFITSIO from giving a leading blank, '~' or '-' a meaning.
  const std::string absolute = fs::absolute(path, error).string();
  if (absolute.size() >= FLEN_FILENAME) {
    return fail(ErrorCode::unreadable, file.name + ": the path is too long",
                "Move the file to a shorter path");
  }
  fitsfile* handle = nullptr;
  int status = 0;
  fits_open_diskfile(&handle, absolute.c_str(), READONLY, &status);
  if (status != 0) {
    return fits_failure(file, "cannot be opened as FITS", status);
  }
  file.handle.reset(handle);
  return file;
}

}  // namespace starwaist::frame_detail
