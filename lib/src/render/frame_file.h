// A frame as a FITS file.
//
// Module: render.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "render/exposure.h"
#include "starwaist/error.h"

namespace starwaist::render {

struct FrameImage {
  int width_px = 0;
  int height_px = 0;
  std::span<const std::uint16_t> pixels_adu;  // row by row
};

// 16-bit unsigned (BITPIX 16, BZERO 32768), RICE tile-compressed where asked. The file is written
// under another name and renamed: whole or absent. Errors: cannot_write.
Result<void> write_frame_file(const std::string& path, const FrameImage& image,
                              const std::vector<Card>& header, bool tile_compressed);

}  // namespace starwaist::render
