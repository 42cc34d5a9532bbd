// Frames in TIFF and PNG files: rows as stored, one colour of them.
#pragma once

#include "frame/disk_file.h"
#include "starwaist/frame.h"

namespace starwaist::frame_detail {

// Both read the samples exactly as stored, the first row of the file first whatever an orientation
// tag says; `channel` is the plane of an RGB picture, alpha is left aside and never blended in.
// Memory beyond the pixels kept: one row (one row of tiles; a whole picture for interlaced PNG).
// Errors: unsupported_format, unreadable, no_data.
Result<PixelBuffer> read_tiff(const DiskFile& file, ColorChannel channel);
Result<PixelBuffer> read_png(const DiskFile& file, ColorChannel channel);

}  // namespace starwaist::frame_detail
