// The file on disk: that it can be read, and what its first bytes say it is.
#pragma once

#include <string>
#include <string_view>

#include "starwaist/error.h"

namespace starwaist::frame_detail {

struct DiskFile {
  std::string path;
  std::string name;     // without its folder; starts every message
  long long bytes = 0;  // on disk
  std::string head;     // the first bytes, one FITS card of them at most
};

// Errors: not_found, unreadable, unsupported_format (a folder), no_data (an empty file).
Result<DiskFile> look_at_file(const std::string& path);

// By the first bytes alone. CFITSIO unpacks gzip, zip, compress and bzip2 files itself; what is in
// them is taken for FITS.
enum class FileKind { fits, packed_fits, tiff, png, other };
FileKind kind_of(std::string_view head);

// Larger than any sensor made (the largest single ones have some 0.25 Gpixel).
inline constexpr long long kMaxPixels = 1LL << 30;

// "1500 x 1000 pixels"
std::string axes_text(long long width_px, long long height_px);

// Refuses sides that no camera has, and a whole image larger than `largest_ratio` times its file:
// the header is damaged then, or the file was made to fill the memory. `unpacked_bytes` is the size
// of the image, all colours.
Result<void> check_promise(const DiskFile& file, long long width_px, long long height_px,
                           double unpacked_bytes, double largest_ratio);

// The error of a file that ends or breaks before its pixels are complete.
tl::unexpected<Error> damaged(const DiskFile& file, const std::string& what);

}  // namespace starwaist::frame_detail
