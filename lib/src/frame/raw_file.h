// Raw files of ordinary cameras: the mosaic as the sensor gave it.
#pragma once

#include <optional>
#include <string>

#include "frame/disk_file.h"
#include "starwaist/frame.h"

namespace starwaist::frame_detail {

struct RawImage {
  // The visible area: the margins of covered pixels are cut off, odd ones a row or column wider.
  PixelBuffer pixels;
  std::optional<BayerTile> bayer;  // absent for a monochrome sensor
  std::optional<double> exposure_s;
  std::optional<std::string> camera_time;  // by the camera's own clock, ISO 8601
  std::optional<double> saturation_adu;    // where the file or LibRaw's table of cameras gives it
};

// Absent where LibRaw does not know the file as a raw one. Values are raw counts without
// demosaicing; the black level stays in, it goes with the sky. Only where the sites of the 2 x 2
// tile have black levels of their own is the difference to the lowest taken off, since the sky
// would otherwise be a checkerboard to what is filled in between. Errors: unsupported_format (no 2
// x 2 mosaic of red, green and blue), unreadable.
Result<std::optional<RawImage>> read_raw(const DiskFile& file);

// Whether a file that begins like TIFF may be a raw file: many are TIFF with the mosaic in a page
// of its own, and LibRaw takes a plain TIFF of some cameras for a raw file.
bool may_be_raw_tiff(const DiskFile& file);

}  // namespace starwaist::frame_detail
