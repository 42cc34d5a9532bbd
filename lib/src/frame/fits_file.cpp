#include "frame/fits_file.h"

#include <array>
#include <filesystem>
#include <system_error>

namespace starwaist::frame_detail {

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

Result<FitsFile> open_fits(const DiskFile& on_disk) {
  FitsFile file;
  file.name = on_disk.name;
  file.file_bytes = on_disk.bytes;
  file.plain_on_disk = kind_of(on_disk.head) == FileKind::fits;

  // The absolute path keeps CFITSIO from giving a leading blank, '~' or '-' a meaning.
  std::error_code error;
  const std::string absolute = std::filesystem::absolute(on_disk.path, error).string();
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
  file.path = absolute;
  return file;
}

}  // namespace starwaist::frame_detail
