#include <png.h>

#include <array>
#include <bit>
#include <csetjmp>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "frame/picture_file.h"

namespace starwaist::frame_detail {

namespace {

// Deflate, the only compression of PNG, packs at most 1032 bytes into one.
constexpr double kLargestPngRatio = 1100;

struct FileCloser {
  void operator()(std::FILE* file) const {
    const int ignored = std::fclose(file);  // opened for reading: nothing can be lost
    static_cast<void>(ignored);
  }
};

// An open file. libpng leaves an error by longjmp: `guarded` is where it comes out, and what runs
// inside it must hold no object with a destructor.
class Png {
 public:
  explicit Png(const DiskFile& file)
      : file_(file),
        stream_(std::fopen(file.path.c_str(), "rb")),
        png_(png_create_read_struct(PNG_LIBPNG_VER_STRING, this, keep_words, pass_over)),
        info_(png_ == nullptr ? nullptr : png_create_info_struct(png_)) {}
  ~Png() { png_destroy_read_struct(&png_, &info_, nullptr); }
  Png(const Png&) = delete;
  Png& operator=(const Png&) = delete;

  [[nodiscard]] bool is_open() const { return stream_ != nullptr && info_ != nullptr; }
  [[nodiscard]] std::FILE* stream() const { return stream_.get(); }
  [[nodiscard]] png_structp png() const { return png_; }
  [[nodiscard]] png_infop info() const { return info_; }
  [[nodiscard]] const DiskFile& file() const { return file_; }

  // True where `calls` came through without an error of libpng.
  template <class Calls>
  bool guarded(const Calls& calls) {
    if (setjmp(png_jmpbuf(png_)) != 0) return false;  // NOLINT(bugprone-*): libpng's own way
    calls();
    return true;
  }

  [[nodiscard]] tl::unexpected<Error> failure(const std::string& what) const {
    return damaged(file_, words_[0] == '\0' ? what : what + " (" + words_.data() + ")");
  }

 private:
  [[noreturn]] static void keep_words(png_structp png, png_const_charp words) {
    auto& to = static_cast<Png*>(png_get_error_ptr(png))->words_;
    std::snprintf(to.data(), to.size(), "%s", words);
    png_longjmp(png, 1);
  }
  static void pass_over(png_structp /*png*/, png_const_charp /*words*/) {}

  const DiskFile& file_;
  std::array<char, 160> words_{};
  std::unique_ptr<std::FILE, FileCloser> stream_;
  png_structp png_;
  png_infop info_;
};

struct Layout {
  std::size_t width = 0;
  std::size_t height = 0;
  std::size_t row_bytes = 0;
  std::size_t first = 0;  // byte of the first pixel's sample
  std::size_t step = 0;   // bytes from pixel to pixel
  bool two_bytes = false;
  bool interlaced = false;
};

Result<Layout> read_layout(Png& png, ColorChannel channel) {
  const bool begun = png.guarded([&png] {
    png_init_io(png.png(), png.stream());
    png_read_info(png.png(), png.info());
  });
  if (!begun) return png.failure("the header cannot be read");
  const DiskFile& file = png.file();
  const int color = png_get_color_type(png.png(), png.info());
  const int bits = png_get_bit_depth(png.png(), png.info());
  if ((color & PNG_COLOR_MASK_PALETTE) != 0) {
    return fail(ErrorCode::unsupported_format,
                file.name + ": is a picture with a palette, no frame",
                "Save the frame as 8- or 16-bit PNG, grey or RGB");
  }
  Layout layout;
  layout.width = png_get_image_width(png.png(), png.info());
  layout.height = png_get_image_height(png.png(), png.info());
  layout.row_bytes = png_get_rowbytes(png.png(), png.info());
  if (auto believed = check_promise(
          file, static_cast<long long>(layout.width), static_cast<long long>(layout.height),
          static_cast<double>(layout.row_bytes) * static_cast<double>(layout.height),
          kLargestPngRatio);
      !believed) {
    return tl::unexpected<Error>(believed.error());
  }
  layout.interlaced = png_get_interlace_type(png.png(), png.info()) != PNG_INTERLACE_NONE;
  const bool prepared = png.guarded([&png, bits] {
    png_set_packing(png.png());  // 1, 2 and 4 bits into a byte each, values kept
    if (bits == 16 && std::endian::native == std::endian::little) png_set_swap(png.png());
    png_set_interlace_handling(png.png());
    png_read_update_info(png.png(), png.info());
  });
  if (!prepared) return png.failure("the header cannot be read");
  layout.row_bytes = png_get_rowbytes(png.png(), png.info());
  layout.two_bytes = bits == 16;
  const std::size_t sample_bytes = layout.two_bytes ? 2 : 1;
  layout.step = sample_bytes * png_get_channels(png.png(), png.info());
  if ((color & PNG_COLOR_MASK_COLOR) != 0) {
    layout.first = sample_bytes * static_cast<std::size_t>(channel);
  }
  return layout;
}

void append_row(const Layout& layout, const unsigned char* row,
                std::vector<std::uint16_t>& values) {
  const unsigned char* from = row + layout.first;
  for (std::size_t x = 0; x < layout.width; ++x, from += layout.step) {
    std::uint16_t value = *from;
    if (layout.two_bytes) std::memcpy(&value, from, sizeof value);
    values.push_back(value);
  }
}

}  // namespace

Result<PixelBuffer> read_png(const DiskFile& file, ColorChannel channel) {
  Png png(file);
  if (!png.is_open()) return png.failure("cannot be opened as PNG");
  const auto layout = read_layout(png, channel);
  if (!layout) return tl::unexpected<Error>(layout.error());
  std::vector<std::uint16_t> values;
  values.reserve(layout->width * layout->height);
  if (layout->interlaced) {  // its rows are complete only at the end
    std::vector<unsigned char> whole(layout->row_bytes * layout->height);
    std::vector<unsigned char*> rows(layout->height);
    for (std::size_t y = 0; y < layout->height; ++y) rows[y] = &whole[y * layout->row_bytes];
    if (!png.guarded([&] { png_read_image(png.png(), rows.data()); })) {
      return png.failure("the pixels cannot be read");
    }
    for (const unsigned char* row : rows) append_row(*layout, row, values);
  } else {
    std::vector<unsigned char> row(layout->row_bytes);
    for (std::size_t y = 0; y < layout->height; ++y) {
      if (!png.guarded([&] { png_read_row(png.png(), row.data(), nullptr); })) {
        return png.failure("the pixels cannot be read");
      }
      append_row(*layout, row.data(), values);
    }
  }
  // Checks the sums behind the last row.
  if (!png.guarded([&png] { png_read_end(png.png(), nullptr); })) {
    return png.failure("the end of the file is missing");
  }
  return PixelBuffer(static_cast<int>(layout->width), static_cast<int>(layout->height),
                     std::move(values));
}

}  // namespace starwaist::frame_detail
