#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <bit>
#include <cerrno>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <limits>
#include <optional>
#include <string>
#include <type_traits>
#include <utility>
#include <vector>

#include "core/large_pages.h"
#include "core/parallel.h"
#include "frame/image_hdu.h"

namespace starwaist::frame_detail {

namespace {

constexpr std::size_t kStripBytes = std::size_t{1} << 20;  // stays in the second-level cache

struct Scaling {
  double scale = 1.0;
  double zero = 0.0;
  std::optional<long long> blank;  // raw value of a pixel without a value
};

std::optional<double> number_key(fitsfile* handle, const char* name) {
  double value = 0;
  int status = 0;
  fits_read_key(handle, TDOUBLE, name, &value, nullptr, &status);
  if (status != 0) {
    fits_clear_errmsg();
    return std::nullopt;
  }
  return value;
}

std::optional<long long> blank_key(fitsfile* handle, bool tile_compressed) {
  if (const auto blank = integer_key(handle, "BLANK")) return blank;
  return tile_compressed ? integer_key(handle, "ZBLANK") : std::nullopt;
}

// Reads the image in strips of whole rows, raw (BZERO and BSCALE left to the caller), and hands
// each to `consume(first_index, values, count)`, which returns false to stop. Strips are whole rows
// of compressed tiles, so that each tile is unpacked once.
class StripReader {
 public:
  StripReader(fitsfile* handle, const ImageHdu& image) : handle_(handle), image_(image) {}

  [[nodiscard]] std::size_t pixels() const {
    return static_cast<std::size_t>(image_.width_px) * static_cast<std::size_t>(image_.height_px);
  }

  // Pixels of one strip of `Raw` values.
  template <class Raw>
  [[nodiscard]] std::size_t strip_pixels() const {
    const auto width = static_cast<std::size_t>(image_.width_px);
    const auto tile_rows = static_cast<std::size_t>(image_.tile_rows);
    const std::size_t rows = std::max<std::size_t>(kStripBytes / (width * sizeof(Raw)), 1);
    const std::size_t whole_tiles = std::max<std::size_t>(rows / tile_rows, 1) * tile_rows;
    return std::min(whole_tiles * width, pixels());
  }

  // One CFITSIO call; `type` is the type of *out.
  template <class Raw>
  int read(int type, std::size_t first, std::size_t count, Raw* out) const {
    int status = 0;
    // CFITSIO looks for pixels without a value only where a null value is given; tile-compressed
    // floats need it, since theirs are not NaN in the file.
    Raw null = 0;
    if constexpr (std::is_floating_point_v<Raw>) null = std::numeric_limits<Raw>::quiet_NaN();
    void* null_value = std::is_floating_point_v<Raw> && image_.tile_compressed ? &null : nullptr;
    fits_read_img(handle_, type, static_cast<LONGLONG>(first) + 1, static_cast<LONGLONG>(count),
                  null_value, out, nullptr, &status);
    return status;
  }

  template <class Raw, class Consume>
  int for_each_strip(int type, Consume consume) const {
    std::vector<Raw> strip(strip_pixels<Raw>());
    for (std::size_t first = 0; first < pixels(); first += strip.size()) {
      const std::size_t count = std::min(strip.size(), pixels() - first);
      const int status = read(type, first, count, strip.data());
      if (status != 0) return status;
      if (!consume(first, strip.data(), count)) return 0;
    }
    return 0;
  }

 private:
  fitsfile* handle_;
  const ImageHdu& image_;
};

// Raw 8- or 16-bit values to be distinguished from BLANK become floats, NaN where blank; whole
// numbers of 16 bits are exact as floats.
std::vector<float> blanked(const std::vector<std::uint16_t>& stored, std::uint16_t blank) {
  std::vector<float> values(stored.size());
  std::transform(stored.begin(), stored.end(), values.begin(), [blank](std::uint16_t value) {
    return value == blank ? std::numeric_limits<float>::quiet_NaN() : static_cast<float>(value);
  });
  return values;
}

// `offset`: stored = raw + offset.
Result<PixelBuffer> finish_16_bit(const ImageHdu& image, std::vector<std::uint16_t> stored,
                                  const Scaling& scaling, int offset) {
  const double zero = scaling.zero - scaling.scale * offset;
  // Compared before it is shifted: a damaged BLANK may be any 64-bit integer.
  if (scaling.blank && *scaling.blank >= -offset &&
      *scaling.blank <= std::numeric_limits<std::uint16_t>::max() - offset) {
    const auto blank = static_cast<std::uint16_t>(*scaling.blank + offset);
    if (std::find(stored.begin(), stored.end(), blank) != stored.end()) {
      return PixelBuffer(image.width_px, image.height_px, blanked(stored, blank), scaling.scale,
                         zero);
    }
  }
  return PixelBuffer(image.width_px, image.height_px, std::move(stored), scaling.scale, zero);
}

Result<PixelBuffer> read_8_bit(const FitsFile& file, const ImageHdu& image,
                               const Scaling& scaling) {
  const StripReader reader(file.handle.get(), image);
  auto stored = core::zeros_on_large_pages<std::uint16_t>(reader.pixels());
  const int status = reader.for_each_strip<unsigned char>(
      TBYTE, [&](std::size_t first, const unsigned char* raw, std::size_t count) {
        std::copy(raw, raw + count, stored.begin() + static_cast<std::ptrdiff_t>(first));
        return true;
      });
  if (status != 0) return fits_failure(file, "the pixels cannot be read", status);
  return finish_16_bit(image, std::move(stored), scaling, 0);
}

// Bytes of a file at any place, from any thread.
class RandomAccessFile {
 public:
  explicit RandomAccessFile(const std::string& path)
      : descriptor_(open(path.c_str(), O_RDONLY | O_CLOEXEC)) {}
  ~RandomAccessFile() {
    if (descriptor_ >= 0) close(descriptor_);
  }
  RandomAccessFile(const RandomAccessFile&) = delete;
  RandomAccessFile& operator=(const RandomAccessFile&) = delete;

  // False where they cannot all be read.
  [[nodiscard]] bool read(long long begin_byte, char* out, std::size_t bytes) const {
    while (bytes > 0) {
      const ssize_t got = pread(descriptor_, out, bytes, begin_byte);
      if (got < 0 && errno == EINTR) continue;
      if (got <= 0) return false;
      out += got;
      begin_byte += got;
      bytes -= static_cast<std::size_t>(got);
    }
    return true;
  }

 private:
  int descriptor_;
};

constexpr int kOffset16 = 32768;  // from raw 16-bit values, which have a sign, to stored ones

// Uncompressed 16-bit integers without CFITSIO, which has reported where they begin: the threads
// share the strips. They are big-endian (FITS standard 4.0, section 5.2).
Result<std::vector<std::uint16_t>> read_plain_16_bit(const FitsFile& file, const ImageHdu& image,
                                                     int threads) {
  const auto width = static_cast<std::size_t>(image.width_px);
  auto stored = core::zeros_on_large_pages<std::uint16_t>(
      width * static_cast<std::size_t>(image.height_px), threads);
  const RandomAccessFile bytes(file.path);
  constexpr std::size_t kStrip = kStripBytes / sizeof(std::uint16_t);
  std::atomic<bool> complete{true};
  core::parallel_for((stored.size() + kStrip - 1) / kStrip, threads, [&](std::size_t strip) {
    const std::size_t first = strip * kStrip;
    const std::size_t count = std::min(kStrip, stored.size() - first);
    std::uint16_t* values = stored.data() + first;
    const auto begin_byte =
        image.data_begin_byte + static_cast<long long>(first * sizeof(std::uint16_t));
    if (!bytes.read(begin_byte, reinterpret_cast<char*>(values), count * sizeof(std::uint16_t))) {
      complete = false;
      return;
    }
    for (std::size_t i = 0; i < count; ++i) {
      std::uint16_t value = values[i];
      if constexpr (std::endian::native == std::endian::little) {
        value = static_cast<std::uint16_t>(value << 8 | value >> 8);
      }
      values[i] = static_cast<std::uint16_t>(value ^ kOffset16);
    }
  });
  if (!complete) return fits_failure(file, "the pixels cannot be read", READ_ERROR);
  return stored;
}

// Of compressed files by CFITSIO's quickest way: raw 16-bit integers without scaling or null test
// go from the file straight into the caller's memory and are swapped there. Shifting by 32768 is a
// flip of the top bit, made while the strip is still in the cache.
Result<PixelBuffer> read_16_bit(const FitsFile& file, const ImageHdu& image, const Scaling& scaling,
                                int threads) {
  if (file.plain_on_disk && !image.tile_compressed) {
    auto plain = read_plain_16_bit(file, image, threads);
    if (!plain) return tl::unexpected<Error>(plain.error());
    return finish_16_bit(image, std::move(*plain), scaling, kOffset16);
  }
  const StripReader reader(file.handle.get(), image);
  auto stored = core::zeros_on_large_pages<std::uint16_t>(reader.pixels());
  const std::size_t strip = reader.strip_pixels<std::uint16_t>();
  for (std::size_t first = 0; first < stored.size(); first += strip) {
    const std::size_t count = std::min(strip, stored.size() - first);
    std::uint16_t* values = stored.data() + first;
    // short and unsigned short may share memory.
    const int status = reader.read(TSHORT, first, count, reinterpret_cast<short*>(values));
    if (status != 0) return fits_failure(file, "the pixels cannot be read", status);
    for (std::size_t i = 0; i < count; ++i) {
      values[i] = static_cast<std::uint16_t>(values[i] ^ kOffset16);
    }
  }
  return finish_16_bit(image, std::move(stored), scaling, kOffset16);
}

// The sum raw + zero in a type wide enough to be exact.
template <class Raw>
using Wide = std::conditional_t<std::is_same_v<Raw, LONGLONG>, long double, double>;

// 32- and 64-bit values as `Stored`; absent where a value does not fit it exactly (double takes
// all, 64-bit integers beyond 2^53 rounded).
template <class Stored, class Raw>
Result<std::optional<std::vector<Stored>>> read_wide(const FitsFile& file, const ImageHdu& image,
                                                     int type, std::optional<long long> blank,
                                                     double shift) {
  const StripReader reader(file.handle.get(), image);
  auto stored = core::zeros_on_large_pages<Stored>(reader.pixels());
  bool exact = true;
  const int status =
      reader.for_each_strip<Raw>(type, [&](std::size_t first, const Raw* raw, std::size_t count) {
        for (std::size_t i = 0; i < count; ++i) {
          Stored& out = stored[first + i];
          if constexpr (std::is_floating_point_v<Raw>) {
            out = static_cast<Stored>(raw[i]);
            if (!std::isfinite(raw[i])) {
              out = std::numeric_limits<Stored>::quiet_NaN();
            } else if (std::is_same_v<Stored, float> && static_cast<Raw>(out) != raw[i]) {
              return exact = false;
            }
          } else {
            if (blank && raw[i] == *blank) {
              out = std::numeric_limits<Stored>::quiet_NaN();
              continue;
            }
            const Wide<Raw> value = static_cast<Wide<Raw>>(raw[i]) + static_cast<Wide<Raw>>(shift);
            out = static_cast<Stored>(value);
            if (std::is_same_v<Stored, float> && static_cast<Wide<Raw>>(out) != value) {
              return exact = false;
            }
          }
        }
        return true;
      });
  if (status != 0) return fits_failure(file, "the pixels cannot be read", status);
  if (!exact) return std::optional<std::vector<Stored>>();
  return std::optional<std::vector<Stored>>(std::move(stored));
}

// The narrower of float and double that holds every value exactly. A second reading, where a value
// was too long for a float, costs time and no memory.
template <class Raw>
Result<PixelBuffer> read_narrowest(const FitsFile& file, const ImageHdu& image, int type,
                                   Scaling scaling) {
  // A whole BZERO (unsigned integers) is added at once: the sums are small where the raw values
  // are not.
  double shift = 0;
  if (std::is_integral_v<Raw> && scaling.scale == 1.0 && scaling.zero == std::floor(scaling.zero)) {
    shift = scaling.zero;
    scaling.zero = 0;
  }
  auto floats = read_wide<float, Raw>(file, image, type, scaling.blank, shift);
  if (!floats) return tl::unexpected<Error>(floats.error());
  if (*floats) {
    return PixelBuffer(image.width_px, image.height_px, std::move(**floats), scaling.scale,
                       scaling.zero);
  }
  auto doubles = read_wide<double, Raw>(file, image, type, scaling.blank, shift);
  if (!doubles) return tl::unexpected<Error>(doubles.error());
  return PixelBuffer(image.width_px, image.height_px, std::move(**doubles), scaling.scale,
                     scaling.zero);
}

// 32-bit floats go straight into place.
Result<PixelBuffer> read_float(const FitsFile& file, const ImageHdu& image,
                               const Scaling& scaling) {
  const StripReader reader(file.handle.get(), image);
  auto stored = core::zeros_on_large_pages<float>(reader.pixels());
  const std::size_t strip = reader.strip_pixels<float>();
  for (std::size_t first = 0; first < stored.size(); first += strip) {
    const std::size_t count = std::min(strip, stored.size() - first);
    float* values = stored.data() + first;
    const int status = reader.read(TFLOAT, first, count, values);
    if (status != 0) return fits_failure(file, "the pixels cannot be read", status);
    for (std::size_t i = 0; i < count; ++i) {
      if (!std::isfinite(values[i])) values[i] = std::numeric_limits<float>::quiet_NaN();
    }
  }
  return PixelBuffer(image.width_px, image.height_px, std::move(stored), scaling.scale,
                     scaling.zero);
}

// Packed tiles that do not match their DATASUM: some decoders run past their buffers on them. The
// sum is over the packed bytes and costs little; plain pixels cannot do harm and are not summed.
Result<void> check_packed_bytes(const FitsFile& file) {
  int data_matches = 0;
  int hdu_matches = 0;
  int status = 0;
  fits_verify_chksum(file.handle.get(), &data_matches, &hdu_matches, &status);
  if (status != 0) return fits_failure(file, "the pixels cannot be read", status);
  if (data_matches < 0) {
    return fail(ErrorCode::unreadable, file.name + ": the pixels do not match their checksum",
                "The file is damaged or incomplete: copy it again or leave it out");
  }
  return {};
}

}  // namespace

Result<PixelBuffer> read_pixels(const FitsFile& file, const ImageHdu& image, int threads) {
  fitsfile* handle = file.handle.get();
  Scaling scaling;
  scaling.scale = number_key(handle, "BSCALE").value_or(1.0);
  scaling.zero = number_key(handle, "BZERO").value_or(0.0);
  if (!std::isfinite(scaling.scale) || scaling.scale == 0 || !std::isfinite(scaling.zero)) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": BSCALE or BZERO is not a usable number", "Correct the header");
  }
  if (image.bits_per_pixel > 0) scaling.blank = blank_key(handle, image.tile_compressed);
  if (image.tile_compressed) {
    if (const auto whole = check_packed_bytes(file); !whole) {
      return tl::unexpected<Error>(whole.error());
    }
  }
  int status = 0;
  fits_set_bscale(handle, 1.0, 0.0, &status);  // raw values: PixelBuffer scales them
  if (status != 0) return fits_failure(file, "the image cannot be read", status);
  switch (image.bits_per_pixel) {
    case BYTE_IMG:
      return read_8_bit(file, image, scaling);
    case SHORT_IMG:
      return read_16_bit(file, image, scaling, threads);
    case LONG_IMG:
      return read_narrowest<int>(file, image, TINT, scaling);
    case LONGLONG_IMG:
      return read_narrowest<LONGLONG>(file, image, TLONGLONG, scaling);
    case FLOAT_IMG:
      return read_float(file, image, scaling);
    case DOUBLE_IMG:
      return read_narrowest<double>(file, image, TDOUBLE, scaling);
    default:
      return fail(ErrorCode::unsupported_format,
                  file.name + ": BITPIX " + std::to_string(image.bits_per_pixel) + " is not read",
                  "Give 8-, 16- or 32-bit integers or floats");
  }
}

}  // namespace starwaist::frame_detail
