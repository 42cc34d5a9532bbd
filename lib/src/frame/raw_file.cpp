#include "frame/raw_file.h"

#include <libraw/libraw.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <ctime>
#include <memory>
#include <utility>
#include <vector>

#include "frame/bayer_letters.h"

namespace starwaist::frame_detail {

namespace {

// Lossless packing of a sensor's counts; more is damage or malice.
constexpr double kLargestRawRatio = 4096;
constexpr const char* kDevelopFirst =
    "Convert it to a linear 16-bit TIFF with the camera's raw converter";

// The tile at the first visible pixel; absent where the colours do not repeat every 2 x 2 pixels or
// are no Bayer mosaic's.
std::optional<BayerTile> bayer_tile(LibRaw& raw) {
  constexpr unsigned kFirstBayer = 1000;  // below it stand other patterns, by number
  constexpr int kPeriod = 8;              // rows that LibRaw's pattern can distinguish
  if (raw.imgdata.idata.filters < kFirstBayer) return std::nullopt;
  BayerTile tile;
  for (int y = 0; y < kPeriod; ++y) {
    for (int x = 0; x < 2; ++x) {
      const auto channel = channel_of(raw.imgdata.idata.cdesc[raw.COLOR(y, x)]);
      if (!channel) return std::nullopt;
      ColorChannel& here = tile.tile[2 * (y % 2) + x];
      if (y >= 2 && here != *channel) return std::nullopt;
      here = *channel;
    }
  }
  return is_bayer(tile) ? std::optional(tile) : std::nullopt;
}

// What each site of the tile has above the lowest black level of the four. Where a DNG's margins
// are odd, LibRaw moves the first visible pixel by one and leaves the order of the black levels:
// then they are those of the opposite sites.
std::array<int, 4> black_steps(LibRaw& raw) {
  const auto& color = raw.imgdata.color;
  const unsigned rows = color.cblack[4];
  const unsigned columns = color.cblack[5];
  std::array<int, 4> black{};
  for (unsigned site = 0; site < black.size(); ++site) {
    const unsigned y = site / 2;
    const unsigned x = site % 2;
    unsigned level = 0;
    if (raw.imgdata.idata.filters != 0) {
      level += color.cblack[raw.COLOR(static_cast<int>(y), static_cast<int>(x))];
    }
    if (rows >= 1 && rows <= 2 && columns >= 1 && columns <= 2) {
      level += color.cblack[6 + (y % rows) * columns + x % columns];
    }
    black[site] = static_cast<int>(std::min(level, 65535U));
  }
  const int lowest = *std::min_element(black.begin(), black.end());
  for (int& level : black) level -= lowest;
  return black;
}

// The level of a full pixel: from the maker's notes, else what LibRaw has from the DNG tag or its
// table of cameras. A power of two is only the converter's range, which the sensor need not reach.
std::optional<double> white_level(const libraw_colordata_t& color) {
  long lowest = 0;
  for (const long level : color.linear_max) {
    if (level > 0 && (lowest == 0 || level < lowest)) lowest = level;
  }
  if (lowest > 0) return static_cast<double>(lowest);
  const bool is_range = (color.maximum & (color.maximum + 1)) == 0;
  return is_range ? std::nullopt : std::optional<double>(color.maximum);
}

// LibRaw counts the seconds as if the camera's clock kept this machine's zone; taking them back by
// the same zone gives the camera's own words again.
std::optional<std::string> camera_time(std::time_t seconds) {
  std::tm parts{};
  if (seconds <= 0 || localtime_r(&seconds, &parts) == nullptr) return std::nullopt;
  std::array<char, 32> text{};
  if (std::strftime(text.data(), text.size(), "%Y-%m-%dT%H:%M:%S", &parts) == 0) {
    return std::nullopt;
  }
  return text.data();
}

PixelBuffer visible_pixels(const libraw_data_t& data, const std::array<int, 4>& steps) {
  const libraw_image_sizes_t& sizes = data.sizes;
  const std::size_t pitch = sizes.raw_pitch / sizeof(ushort);
  const bool level = steps == std::array<int, 4>{};
  std::vector<std::uint16_t> values;
  values.reserve(static_cast<std::size_t>(sizes.width) * sizes.height);
  for (std::size_t y = 0; y < sizes.height; ++y) {
    const ushort* row = data.rawdata.raw_image + (y + sizes.top_margin) * pitch + sizes.left_margin;
    values.insert(values.end(), row, row + sizes.width);
    if (level) continue;
    std::uint16_t* stored = values.data() + y * sizes.width;
    for (std::size_t x = 0; x < sizes.width; ++x) {
      const int value = stored[x] - steps[2 * (y % 2) + x % 2];
      stored[x] = static_cast<std::uint16_t>(std::max(value, 0));
    }
  }
  return PixelBuffer(sizes.width, sizes.height, std::move(values));
}

// The margins and the visible area lie within what was read.
bool area_is_inside(const libraw_image_sizes_t& sizes) {
  return sizes.width > 0 && sizes.height > 0 &&
         sizes.left_margin + sizes.width <= sizes.raw_width &&
         sizes.top_margin + sizes.height <= sizes.raw_height &&
         sizes.raw_pitch >= sizes.raw_width * sizeof(ushort);
}

}  // namespace

Result<std::optional<RawImage>> read_raw(const DiskFile& file) {
  const auto raw = std::make_unique<LibRaw>();  // too large for a thread's stack
  bool is_damaged = false;
  // Damage would else be printed to standard error. The offset's type differs between versions.
  raw->set_dataerror_handler(
      [](void* flag, const char* /*file*/, auto /*offset*/) { *static_cast<bool*>(flag) = true; },
      &is_damaged);
  libraw_data_t& data = raw->imgdata;
  data.params.raw_processing_options &= ~LIBRAW_PROCESSING_CONVERTFLOAT_TO_INT;
  data.params.raw_processing_options |= LIBRAW_PROCESSING_ZEROFILTERS_FOR_MONOCHROMETIFFS;
  if (raw->open_file(file.path.c_str()) != LIBRAW_SUCCESS) return std::optional<RawImage>();

  const bool monochrome = data.idata.filters == 0 && data.idata.colors == 1;
  const auto bayer = bayer_tile(*raw);
  if ((!bayer && !monochrome) || data.idata.is_foveon != 0) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": its colours are not a 2 x 2 mosaic of red, green and blue",
                kDevelopFirst);
  }
  const double bytes =
      static_cast<double>(data.sizes.raw_width) * data.sizes.raw_height * sizeof(ushort);
  if (auto believed =
          check_promise(file, data.sizes.raw_width, data.sizes.raw_height, bytes, kLargestRawRatio);
      !believed) {
    return tl::unexpected<Error>(believed.error());
  }
  const int status = raw->unpack();
  if (status != LIBRAW_SUCCESS || is_damaged || raw->error_count() > 0) {
    const char* words = status == LIBRAW_SUCCESS ? "data missing" : libraw_strerror(status);
    return damaged(file, std::string("the raw pixels cannot be read (") + words + ")");
  }
  if (data.rawdata.raw_image == nullptr || data.rawdata.ioparams.fuji_width != 0) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": its pixels are not whole numbers in a plain grid", kDevelopFirst);
  }
  if (!area_is_inside(data.sizes)) return damaged(file, "its visible area cannot be used");

  RawImage image;
  const std::array<int, 4> steps = black_steps(*raw);
  image.pixels = visible_pixels(data, steps);
  image.bayer = bayer;
  if (data.other.shutter > 0) image.exposure_s = data.other.shutter;
  image.camera_time = camera_time(data.other.timestamp);
  if (const auto white = white_level(data.color)) {
    image.saturation_adu = *white - *std::max_element(steps.begin(), steps.end());
  }
  return std::optional<RawImage>(std::move(image));
}

}  // namespace starwaist::frame_detail
