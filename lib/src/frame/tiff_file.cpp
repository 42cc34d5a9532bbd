#include <tiffio.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdarg>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <limits>
#include <memory>
#include <optional>
#include <string>
#include <type_traits>
#include <utility>
#include <vector>

#include "frame/picture_file.h"
#include "frame/raw_file.h"

namespace starwaist::frame_detail {

namespace {

// Deflate packs at most 1032 bytes into one, LZW some 2700; more is damage or malice.
constexpr double kLargestTiffRatio = 4096;
constexpr int kMostPages = 1000;
constexpr tmsize_t kLargestTileBytes = tmsize_t{1} << 28;

struct TiffCloser {
  void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};

struct OptionsFreer {
  void operator()(TIFFOpenOptions* options) const { TIFFOpenOptionsFree(options); }
};

// An open file. Its messages are kept here and not printed; no setting of the whole process is
// touched.
class Tiff {
 public:
  explicit Tiff(const DiskFile& file) : file_(file) {
    const std::unique_ptr<TIFFOpenOptions, OptionsFreer> options(TIFFOpenOptionsAlloc());
    TIFFOpenOptionsSetErrorHandlerExtR(options.get(), keep_first, this);
    TIFFOpenOptionsSetWarningHandlerExtR(options.get(), pass_over, nullptr);
    // "m": read, do not map: a file that shrinks meanwhile would end the process.
    handle_.reset(TIFFOpenExt(file.path.c_str(), "rm", options.get()));
  }
  Tiff(const Tiff&) = delete;
  Tiff& operator=(const Tiff&) = delete;

  [[nodiscard]] TIFF* get() const { return handle_.get(); }
  [[nodiscard]] const DiskFile& file() const { return file_; }

  // A tag's value, or its default by the standard where it has one.
  template <class T>
  [[nodiscard]] std::optional<T> tag(std::uint32_t number) const {
    T value{};
    if (TIFFGetFieldDefaulted(get(), number, &value) == 0) return std::nullopt;
    return value;
  }

  // "what (libtiff's first words on it)"
  [[nodiscard]] tl::unexpected<Error> failure(const std::string& what) const {
    return damaged(file_, words_.empty() ? what : what + " (" + words_ + ")");
  }

 private:
  static int keep_first(TIFF* /*tiff*/, void* self, const char* /*function*/, const char* format,
                        va_list values) {
    auto& words = static_cast<Tiff*>(self)->words_;
    if (words.empty()) {
      std::array<char, 160> text{};
      std::vsnprintf(text.data(), text.size(), format, values);
      words = text.data();
    }
    return 1;  // not to be handed on to the process-wide handler
  }
  static int pass_over(TIFF* /*tiff*/, void* /*self*/, const char* /*function*/,
                       const char* /*format*/, va_list /*values*/) {
    return 1;
  }

  const DiskFile& file_;
  mutable std::string words_;                 // written through the library
  std::unique_ptr<TIFF, TiffCloser> handle_;  // closed before words_ goes
};

struct Page {
  int width_px = 0;
  int height_px = 0;
  int bits = 0;
  int format = SAMPLEFORMAT_UINT;
  int samples = 1;  // a pixel
  int sample = 0;   // the one that is read
  bool planes_apart = false;
  bool white_is_zero = false;
};

bool is_small_copy(const Tiff& tiff) {
  constexpr std::uint32_t kNotThePicture = FILETYPE_REDUCEDIMAGE | FILETYPE_MASK;
  return (tiff.tag<std::uint32_t>(TIFFTAG_SUBFILETYPE).value_or(0) & kNotThePicture) != 0;
}

// Moves to the first page that is no small copy of another. A file of several pages of one size is
// a stack of frames, of which none may be taken for the whole.
Result<void> find_page(const Tiff& tiff) {
  std::optional<std::pair<std::uint32_t, std::uint32_t>> size;
  std::optional<tdir_t> page;
  for (int number = 0; number < kMostPages; ++number) {
    if (!is_small_copy(tiff)) {
      const std::pair here{tiff.tag<std::uint32_t>(TIFFTAG_IMAGEWIDTH).value_or(0),
                           tiff.tag<std::uint32_t>(TIFFTAG_IMAGELENGTH).value_or(0)};
      if (page && here == *size) {
        return fail(ErrorCode::unsupported_format,
                    tiff.file().name + ": holds several pages of one size, not one image",
                    "Save each page as a file of its own");
      }
      if (!page) {
        page = TIFFCurrentDirectory(tiff.get());
        size = here;
      }
    }
    if (TIFFLastDirectory(tiff.get()) != 0 || TIFFReadDirectory(tiff.get()) == 0) break;
  }
  if (!page) {
    return fail(ErrorCode::no_data, tiff.file().name + ": holds no image of full size",
                "Give a frame as the camera wrote it");
  }
  if (TIFFSetDirectory(tiff.get(), *page) == 0) return tiff.failure("its page cannot be read");
  return {};
}

// Compressions that keep every value.
bool is_lossless(int compression) {
  constexpr std::array kLossless = {COMPRESSION_NONE,          COMPRESSION_LZW,
                                    COMPRESSION_ADOBE_DEFLATE, COMPRESSION_DEFLATE,
                                    COMPRESSION_PACKBITS,      COMPRESSION_ZSTD};
  return std::find(kLossless.begin(), kLossless.end(), compression) != kLossless.end() &&
         TIFFIsCODECConfigured(static_cast<std::uint16_t>(compression)) != 0;
}

bool is_known_form(int bits, int format) {
  switch (format) {
    case SAMPLEFORMAT_UINT:
    case SAMPLEFORMAT_INT:
    case SAMPLEFORMAT_VOID:
      return bits == 8 || bits == 16 || bits == 32;
    case SAMPLEFORMAT_IEEEFP:
      return bits == 32 || bits == 64;
    default:
      return false;
  }
}

Result<Page> read_page(const Tiff& tiff, ColorChannel channel) {
  const DiskFile& file = tiff.file();
  const auto unsupported = [&file](const std::string& what, const std::string& remedy) {
    return fail(ErrorCode::unsupported_format, file.name + ": " + what, remedy);
  };
  const auto width = tiff.tag<std::uint32_t>(TIFFTAG_IMAGEWIDTH);
  const auto height = tiff.tag<std::uint32_t>(TIFFTAG_IMAGELENGTH);
  if (!width || !height) return tiff.failure("the image's size cannot be read");
  Page page;
  page.bits = tiff.tag<std::uint16_t>(TIFFTAG_BITSPERSAMPLE).value_or(1);
  page.format = tiff.tag<std::uint16_t>(TIFFTAG_SAMPLEFORMAT).value_or(SAMPLEFORMAT_UINT);
  page.samples = tiff.tag<std::uint16_t>(TIFFTAG_SAMPLESPERPIXEL).value_or(1);
  page.planes_apart = tiff.tag<std::uint16_t>(TIFFTAG_PLANARCONFIG) == PLANARCONFIG_SEPARATE;
  const int meaning = tiff.tag<std::uint16_t>(TIFFTAG_PHOTOMETRIC)
                          .value_or(page.samples < 3 ? PHOTOMETRIC_MINISBLACK : PHOTOMETRIC_RGB);
  const int compression =
      tiff.tag<std::uint16_t>(TIFFTAG_COMPRESSION).value_or(std::uint16_t{COMPRESSION_NONE});

  const std::string save_plainly = "Save it as 8- or 16-bit or 32-bit float TIFF, grey or RGB";
  const bool grey = meaning == PHOTOMETRIC_MINISBLACK || meaning == PHOTOMETRIC_MINISWHITE;
  if (!grey && meaning != PHOTOMETRIC_RGB) {
    return unsupported("is neither a grey nor an RGB image", save_plainly);
  }
  if (grey ? page.samples > 2 : page.samples < 3 || page.samples > 4) {
    return unsupported("has " + std::to_string(page.samples) + " values a pixel", save_plainly);
  }
  if (!is_known_form(page.bits, page.format)) {
    return unsupported("has values of " + std::to_string(page.bits) + " bits in a form not read",
                       save_plainly);
  }
  if (!is_lossless(compression)) {
    return unsupported(
        "is compressed in a way not read (TIFF compression " + std::to_string(compression) + ")",
        "Save it uncompressed or with LZW or deflate");
  }
  page.white_is_zero = meaning == PHOTOMETRIC_MINISWHITE;
  if (page.white_is_zero && (page.format != SAMPLEFORMAT_UINT || page.bits > 16)) {
    return unsupported("has white as zero in values that are not 8- or 16-bit", save_plainly);
  }
  if (!grey) page.sample = static_cast<int>(channel);
  const double bytes =
      static_cast<double>(*width) * static_cast<double>(*height) * page.samples * page.bits / 8;
  if (auto believed = check_promise(file, *width, *height, bytes,
                                    compression == COMPRESSION_NONE ? 1 : kLargestTiffRatio);
      !believed) {
    return tl::unexpected<Error>(believed.error());
  }
  page.width_px = static_cast<int>(*width);
  page.height_px = static_cast<int>(*height);
  return page;
}

// Where one sample of a row of pixels stands in unpacked bytes.
struct Place {
  std::size_t first = 0;  // byte of the first pixel's sample
  std::size_t step = 0;   // bytes from pixel to pixel
};

Place place_of(const Page& page) {
  const auto bytes = static_cast<std::size_t>(page.bits) / 8;
  if (page.planes_apart) return {0, bytes};
  return {static_cast<std::size_t>(page.sample) * bytes,
          static_cast<std::size_t>(page.samples) * bytes};
}

template <class Raw>
Raw value_at(const unsigned char* bytes) {
  Raw value;
  std::memcpy(&value, bytes, sizeof value);
  return value;
}

// How a raw value is stored: 8- and 16-bit integers in 16 bits without a sign, floats as they are,
// 32-bit integers in doubles.
template <class Raw>
using Stored = std::conditional_t<sizeof(Raw) <= 2, std::uint16_t,
                                  std::conditional_t<std::is_integral_v<Raw>, double, Raw>>;

template <class Raw>
constexpr int kOffset = std::is_signed_v<Raw>&& std::is_integral_v<Raw> && sizeof(Raw) <= 2
                            ? 1 << (8 * sizeof(Raw) - 1)
                            : 0;  // stored less raw

template <class Raw>
Stored<Raw> stored_from(Raw raw) {
  if constexpr (std::is_floating_point_v<Raw>) {
    return std::isfinite(raw) ? raw : std::numeric_limits<Raw>::quiet_NaN();
  } else {
    return static_cast<Stored<Raw>>(raw + kOffset<Raw>);
  }
}

// `values` grows row by row, so that a file that ends early takes little memory.
template <class Raw>
Result<std::vector<Stored<Raw>>> read_strips(const Tiff& tiff, const Page& page) {
  const Place place = place_of(page);
  const auto width = static_cast<std::size_t>(page.width_px);
  const tmsize_t row_bytes = TIFFScanlineSize(tiff.get());
  if (row_bytes < static_cast<tmsize_t>(place.first + (width - 1) * place.step + sizeof(Raw))) {
    return tiff.failure("its rows are shorter than the header promises");
  }
  std::vector<unsigned char> row(static_cast<std::size_t>(row_bytes));
  std::vector<Stored<Raw>> values;
  values.reserve(width * static_cast<std::size_t>(page.height_px));
  const auto plane = static_cast<std::uint16_t>(page.planes_apart ? page.sample : 0);
  for (int y = 0; y < page.height_px; ++y) {
    if (TIFFReadScanline(tiff.get(), row.data(), static_cast<std::uint32_t>(y), plane) != 1) {
      return tiff.failure("the pixels cannot be read");
    }
    for (std::size_t x = 0; x < width; ++x) {
      values.push_back(stored_from(value_at<Raw>(row.data() + place.first + x * place.step)));
    }
  }
  return values;
}

template <class Raw>
Result<std::vector<Stored<Raw>>> read_tiles(const Tiff& tiff, const Page& page) {
  const Place place = place_of(page);
  const auto width = static_cast<std::size_t>(page.width_px);
  const auto height = static_cast<std::size_t>(page.height_px);
  const std::size_t tile_width = tiff.tag<std::uint32_t>(TIFFTAG_TILEWIDTH).value_or(0);
  const std::size_t tile_height = tiff.tag<std::uint32_t>(TIFFTAG_TILELENGTH).value_or(0);
  const tmsize_t tile_bytes = TIFFTileSize(tiff.get());
  const std::size_t row_bytes = tile_width * place.step;
  if (tile_width == 0 || tile_height == 0 || tile_bytes <= 0 || tile_bytes > kLargestTileBytes ||
      static_cast<std::size_t>(tile_bytes) / row_bytes < tile_height) {
    return tiff.failure("its tiles' sizes cannot be used");
  }
  std::vector<unsigned char> tile(static_cast<std::size_t>(tile_bytes));
  const auto plane = static_cast<std::uint16_t>(page.planes_apart ? page.sample : 0);
  std::vector<Stored<Raw>> values;
  values.reserve(width * height);
  for (std::size_t top = 0; top < height; top += tile_height) {
    const std::size_t rows = std::min(tile_height, height - top);
    values.resize(width * (top + rows));
    for (std::size_t left = 0; left < width; left += tile_width) {
      const std::size_t columns = std::min(tile_width, width - left);
      if (TIFFReadTile(tiff.get(), tile.data(), static_cast<std::uint32_t>(left),
                       static_cast<std::uint32_t>(top), 0, plane) != tile_bytes) {
        return tiff.failure("the pixels cannot be read");
      }
      for (std::size_t y = 0; y < rows; ++y) {
        const unsigned char* from = tile.data() + y * row_bytes + place.first;
        Stored<Raw>* to = values.data() + (top + y) * width + left;
        for (std::size_t x = 0; x < columns; ++x) {
          to[x] = stored_from(value_at<Raw>(from + x * place.step));
        }
      }
    }
  }
  return values;
}

template <class Raw>
Result<PixelBuffer> read_as(const Tiff& tiff, const Page& page) {
  auto values =
      TIFFIsTiled(tiff.get()) != 0 ? read_tiles<Raw>(tiff, page) : read_strips<Raw>(tiff, page);
  if (!values) return tl::unexpected<Error>(values.error());
  double scale = 1;
  double zero = -kOffset<Raw>;
  if (page.white_is_zero) {
    scale = -1;
    zero = static_cast<double>(std::numeric_limits<Raw>::max());
  }
  return PixelBuffer(page.width_px, page.height_px, std::move(*values), scale, zero);
}

}  // namespace

bool may_be_raw_tiff(const DiskFile& file) {
  const Tiff tiff(file);
  if (tiff.get() == nullptr) return true;  // not for this library; LibRaw may know it
  const std::uint8_t* version = nullptr;
  if (TIFFGetField(tiff.get(), TIFFTAG_DNGVERSION, &version) != 0) return true;
  const int meaning = tiff.tag<std::uint16_t>(TIFFTAG_PHOTOMETRIC).value_or(PHOTOMETRIC_MINISBLACK);
  constexpr int kLinearRaw = 34892;  // DNG 1.4, PhotometricInterpretation
  if (meaning == PHOTOMETRIC_CFA || meaning == kLinearRaw) return true;
  // A camera's raw file has its preview first, and is signed by its maker.
  if (!tiff.tag<const char*>(TIFFTAG_MAKE)) return false;
  std::uint16_t pages_within = 0;
  const std::uint64_t* places = nullptr;
  return is_small_copy(tiff) ||
         TIFFGetField(tiff.get(), TIFFTAG_SUBIFD, &pages_within, &places) != 0 ||
         !is_lossless(tiff.tag<std::uint16_t>(TIFFTAG_COMPRESSION).value_or(COMPRESSION_NONE));
}

Result<PixelBuffer> read_tiff(const DiskFile& file, ColorChannel channel) {
  const Tiff tiff(file);
  if (tiff.get() == nullptr) return tiff.failure("cannot be opened as TIFF");
  if (auto found = find_page(tiff); !found) return tl::unexpected<Error>(found.error());
  const auto page = read_page(tiff, channel);
  if (!page) return tl::unexpected<Error>(page.error());
  if (page->format == SAMPLEFORMAT_IEEEFP) {
    return page->bits == 32 ? read_as<float>(tiff, *page) : read_as<double>(tiff, *page);
  }
  const bool with_sign = page->format == SAMPLEFORMAT_INT;
  switch (page->bits) {
    case 8:
      return with_sign ? read_as<std::int8_t>(tiff, *page) : read_as<std::uint8_t>(tiff, *page);
    case 16:
      return with_sign ? read_as<std::int16_t>(tiff, *page) : read_as<std::uint16_t>(tiff, *page);
    default:
      return with_sign ? read_as<std::int32_t>(tiff, *page) : read_as<std::uint32_t>(tiff, *page);
  }
}

}  // namespace starwaist::frame_detail
