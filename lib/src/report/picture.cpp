#include "report/picture.h"

#include <png.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "starwaist/statistics.h"

namespace starwaist::report {

namespace {

// The stretch: the sky's 1 % quantile is black and its 99.7 % quantile is near white.
constexpr double kBlackQuantile = 0.01;
constexpr double kWhiteQuantile = 0.997;
constexpr double kSoftening = 0.1;
constexpr std::size_t kSampledPixels = 200000;
constexpr double kSmallestMarkPx = 5.0;

Stretch find_stretch(const PixelBuffer& pixels) {
  const auto total =
      static_cast<std::size_t>(pixels.width_px()) * static_cast<std::size_t>(pixels.height_px());
  // An odd stride over the frame as one row, so that columns of a mosaic are met evenly.
  const std::size_t stride = std::max<std::size_t>(1, total / kSampledPixels) | 1U;
  std::vector<double> sample;
  sample.reserve(total / stride + 1);
  const auto width = static_cast<std::size_t>(pixels.width_px());
  for (std::size_t i = 0; i < total; i += stride) {
    const double value = pixels.at(static_cast<int>(i % width), static_cast<int>(i / width));
    if (std::isfinite(value)) sample.push_back(value);
  }
  Stretch stretch;
  if (sample.empty()) return stretch;
  stretch.black = sample_quantile(sample, kBlackQuantile);
  stretch.white = sample_quantile(sample, kWhiteQuantile);
  if (!(stretch.white > stretch.black)) {
    stretch.white = stretch.black + std::max(1.0, std::abs(stretch.black));
  }
  return stretch;
}

}  // namespace

std::uint8_t Stretch::gray(double value) const {
  if (!(value == value)) return 0;  // a pixel without a value
  const double x = std::clamp((value - black) / (white - black), 0.0, 1.0);
  return static_cast<std::uint8_t>(
      std::lround(255 * std::asinh(x / kSoftening) / std::asinh(1 / kSoftening)));
}

int shrink_to(const PixelBuffer& pixels, int longest_px) {
  const int longest = std::max(pixels.width_px(), pixels.height_px());
  int shrink = 1;
  while (longest / shrink > longest_px) shrink *= 2;
  return shrink;
}

cv::Mat gray_picture(const PixelBuffer& pixels, int shrink) {
  const Stretch stretch = find_stretch(pixels);
  const int columns = std::max(1, pixels.width_px() / shrink);
  const int rows = std::max(1, pixels.height_px() / shrink);
  cv::Mat picture(rows, columns, CV_8UC1);
  std::vector<float> line(static_cast<std::size_t>(pixels.width_px()));
  std::vector<double> sums(static_cast<std::size_t>(columns));
  for (int y = 0; y < rows; ++y) {
    std::fill(sums.begin(), sums.end(), 0.0);
    for (int dy = 0; dy < shrink; ++dy) {
      pixels.read_row(y * shrink + dy, 0, line);
      for (int x = 0; x < columns * shrink; ++x) {
        sums[static_cast<std::size_t>(x / shrink)] += line[static_cast<std::size_t>(x)];
      }
    }
    for (int x = 0; x < columns; ++x) {
      picture.at<std::uint8_t>(y, x) =
          stretch.gray(sums[static_cast<std::size_t>(x)] / (shrink * shrink));
    }
  }
  return picture;
}

Mark mark_of(const Star& star, int shrink) {
  return {(star.x_px + 0.5) / shrink - 0.5, (star.y_px + 0.5) / shrink - 0.5,
          std::max(kSmallestMarkPx, 1.5 * star.hfr_px.value_or(kSmallestMarkPx) / shrink + 2)};
}

std::string png_of(const cv::Mat& picture) {
  png_image image{};
  image.version = PNG_IMAGE_VERSION;
  image.width = static_cast<png_uint_32>(picture.cols);
  image.height = static_cast<png_uint_32>(picture.rows);
  image.format = picture.channels() == 1 ? PNG_FORMAT_GRAY : PNG_FORMAT_BGR;
  const auto stride = static_cast<png_int_32>(picture.step[0]);
  png_alloc_size_t size = PNG_IMAGE_PNG_SIZE_MAX(image);
  std::string bytes(size, '\0');
  if (png_image_write_to_memory(&image, bytes.data(), &size, 0, picture.data, stride, nullptr) ==
      0) {
    return {};
  }
  bytes.resize(size);
  return bytes;
}

}  // namespace starwaist::report
