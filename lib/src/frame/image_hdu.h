// The image of a FITS file: which HDU it is, its shape, and its pixels.
#pragma once

#include "frame/fits_file.h"
#include "starwaist/frame.h"

namespace starwaist::frame_detail {

struct ImageHdu {
  int number = 1;  // as CFITSIO counts, from 1
  int width_px = 0;
  int height_px = 0;
  int bits_per_pixel = 16;  // BITPIX of the image, before tile compression
  bool tile_compressed = false;
  int tile_rows = 1;  // height of a compressed tile
  long long data_begin_byte = 0;
};

// Moves to the first HDU that holds an image with two axes; further axes of length 1 are passed
// over. Errors: no_data where there is none, unsupported_format for a cube or absurd axes,
// unreadable where the file is shorter than the header promises.
Result<ImageHdu> find_image(const FitsFile& file);

// Reads the pixels of the HDU that find_image moved to. The same for any number of threads.
Result<PixelBuffer> read_pixels(const FitsFile& file, const ImageHdu& image, int threads);

}  // namespace starwaist::frame_detail
