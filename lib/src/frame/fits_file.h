// One open FITS file of CFITSIO, closed by its owner, and errors in words.
#pragma once

#include <fitsio.h>

#include <memory>
#include <mutex>
#include <optional>
#include <string>

#include "frame/disk_file.h"
#include "starwaist/error.h"

namespace starwaist::frame_detail {

struct FitsCloser {
  void operator()(fitsfile* file) const {
    int status = 0;
    fits_close_file(file, &status);
  }
};
using FitsHandle = std::unique_ptr<fitsfile, FitsCloser>;

// CFITSIO may be used from several threads, one file a thread, only where it was built so. Holds a
// lock for its lifetime where it was not.
class CfitsioGuard {
 public:
  CfitsioGuard();

 private:
  std::optional<std::unique_lock<std::mutex>> lock_;
};

struct FitsFile {
  FitsHandle handle;
  std::string name;           // without its folder; starts every message
  std::string path;           // absolute
  long long file_bytes = 0;   // on disk
  bool plain_on_disk = true;  // false: the whole file is (gzip-)compressed
};

// Opens for reading, as a plain disk file: no character of the path has a meaning of its own.
Result<FitsFile> open_fits(const DiskFile& on_disk);

// The whole number behind a keyword of the current HDU; absent where there is none.
std::optional<long long> integer_key(fitsfile* handle, const char* name);

// CFITSIO's own short text of a status.
std::string status_text(int status);

// "unreadable" error of `file`: `what` and CFITSIO's words.
tl::unexpected<Error> fits_failure(const FitsFile& file, const std::string& what, int status);

}  // namespace starwaist::frame_detail
