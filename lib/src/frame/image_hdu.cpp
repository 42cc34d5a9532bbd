#include "frame/image_hdu.h"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <limits>
#include <optional>
#include <string>

namespace starwaist::frame_detail {

namespace {

constexpr int kMaxAxes = 999;    // FITS standard 4.0, section 4.4.1.1
constexpr int kMaxHdus = 10000;  // a file with more is not a frame
// No tile compression packs more pixels into a byte of file on real data (gzip 1032 bytes, PLIO
// some 2000 pixels); a header that promises more is damaged.
constexpr long long kMaxPixelsPerFileByte = 16384;

struct Shape {
  int axes = 0;
  std::array<LONGLONG, kMaxAxes> lengths{};
};

bool is_two_axes(const Shape& shape) {
  return shape.axes >= 2 &&
         std::all_of(shape.lengths.begin() + 2, shape.lengths.begin() + shape.axes,
                     [](LONGLONG length) { return length == 1; });
}

bool has_pixels(const Shape& shape) {
  return shape.axes > 0 && std::all_of(shape.lengths.begin(), shape.lengths.begin() + shape.axes,
                                       [](LONGLONG length) { return length > 0; });
}

// Bytes of the data as the header promises them, without the padding to 2880 (some writers leave
// it out at the end of the file).
long long promised_bytes(const FitsFile& file, const ImageHdu& image) {
  if (!image.tile_compressed) {
    return static_cast<long long>(image.width_px) * image.height_px *
           (std::abs(image.bits_per_pixel) / 8);
  }
  fitsfile* handle = file.handle.get();
  const double bytes = static_cast<double>(integer_key(handle, "NAXIS1").value_or(0)) *
                           static_cast<double>(integer_key(handle, "NAXIS2").value_or(0)) +
                       static_cast<double>(integer_key(handle, "PCOUNT").value_or(0));
  return static_cast<long long>(std::clamp(bytes, 0.0, 9e18));
}

Result<ImageHdu> checked_image(const FitsFile& file, int number, const Shape& shape) {
  const std::string axes = axes_text(shape.lengths[0], shape.lengths[1]);
  const long long longest = std::max(shape.lengths[0], shape.lengths[1]);
  if (longest > std::numeric_limits<int>::max() ||
      shape.lengths[0] > kMaxPixels / shape.lengths[1]) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": the header promises " + axes + ", more than can be read",
                "The header is damaged, or the image is no frame of a camera");
  }
  fitsfile* handle = file.handle.get();
  int status = 0;
  ImageHdu image;
  image.number = number;
  image.width_px = static_cast<int>(shape.lengths[0]);
  image.height_px = static_cast<int>(shape.lengths[1]);
  image.tile_compressed = fits_is_compressed_image(handle, &status) != 0;
  fits_get_img_type(handle, &image.bits_per_pixel, &status);
  LONGLONG header_start = 0;
  LONGLONG data_start = 0;
  LONGLONG data_end = 0;
  fits_get_hduaddrll(handle, &header_start, &data_start, &data_end, &status);
  if (status != 0) return fits_failure(file, "the header cannot be read", status);
  image.data_begin_byte = data_start;

  if (image.tile_compressed) {
    // Without the keyword a tile is one row (FITS standard 4.0, section 10.1.1).
    const LONGLONG tile_rows = integer_key(handle, "ZTILE2").value_or(1);
    if (tile_rows < 1 || integer_key(handle, "ZTILE1").value_or(1) < 1) {
      return fail(ErrorCode::unreadable,
                  file.name + ": the compressed tiles' sizes in the header cannot be used",
                  "The file is damaged or incomplete: copy it again or leave it out");
    }
    image.tile_rows = static_cast<int>(std::min<LONGLONG>(tile_rows, image.height_px));
  }
  const long long pixels = static_cast<long long>(image.width_px) * image.height_px;
  if (pixels / kMaxPixelsPerFileByte > file.file_bytes) {
    return fail(ErrorCode::unreadable,
                file.name + ": the header promises " + axes + ", too many for a file of " +
                    std::to_string(file.file_bytes) + " bytes",
                "The file is damaged or incomplete: copy it again or leave it out");
  }
  if (file.plain_on_disk) {
    const long long promised = promised_bytes(file, image);
    const long long present = std::max<long long>(file.file_bytes - data_start, 0);
    if (promised > present) {
      return fail(ErrorCode::unreadable,
                  file.name + ": is truncated: the header promises " + std::to_string(promised) +
                      " bytes of data, the file has " + std::to_string(present),
                  "Copy the file again or leave it out");
    }
  }
  return image;
}

}  // namespace

Result<ImageHdu> find_image(const FitsFile& file) {
  fitsfile* handle = file.handle.get();
  bool empty_image = false;
  for (int number = 1; number <= kMaxHdus; ++number) {
    int status = 0;
    int kind = ANY_HDU;
    fits_movabs_hdu(handle, number, &kind, &status);
    if (status != 0) {
      // The end of the file is the usual way out; a first HDU that cannot be read is damage.
      if (number == 1) return fits_failure(file, "the header cannot be read", status);
      fits_clear_errmsg();
      break;
    }
    if (kind != IMAGE_HDU && fits_is_compressed_image(handle, &status) == 0) continue;
    Shape shape;
    fits_get_img_dim(handle, &shape.axes, &status);
    if (status != 0 || shape.axes < 0 || shape.axes > kMaxAxes) {
      return fits_failure(file, "the image's axes cannot be read", status);
    }
    fits_get_img_sizell(handle, kMaxAxes, shape.lengths.data(), &status);
    if (status != 0) return fits_failure(file, "the image's axes cannot be read", status);
    if (!has_pixels(shape)) {
      empty_image = empty_image || shape.axes > 0;
      continue;
    }
    if (is_two_axes(shape)) return checked_image(file, number, shape);
    if (shape.axes > 2) {
      return fail(
          ErrorCode::unsupported_format,
          file.name + ": holds a cube of " + std::to_string(shape.axes) + " axes, not one image",
          "Save one colour or one plane of it as a two-axis image");
    }
  }
  return fail(ErrorCode::no_data,
              file.name + (empty_image ? ": its image has no pixels" : ": holds no image"),
              "Give a frame as the camera wrote it");
}

}  // namespace starwaist::frame_detail
