#include "report/picture.h"

#include <png.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "starwaist/statistics.h"

namespace starwaist::report {

namespace {

// The stretch, in units of the sky's noise about its median: black below, near white above. The
// noise is the distance of the 16 % quantile, which stars do not reach.
constexpr double kLowerQuantile = 0.16;
constexpr double kBlackSigmas = -1;
constexpr double kWhiteSigmas = 40;
constexpr double kSoftening = 0.1;
constexpr std::size_t kSampledPixels = 200000;
constexpr double kSmallestMarkPx = 5.0;

Stretch find_stretch(const std::vector<float>& pixels) {
  const std::size_t stride = std::max<std::size_t>(1, pixels.size() / kSampledPixels) | 1U;
  std::vector<double> sample;
  sample.reserve(pixels.size() / stride + 1);
  // An odd stride over the picture as one row, so that columns of a mosaic are met evenly.
  for (std::size_t i = 0; i < pixels.size(); i += stride) {
    if (std::isfinite(pixels[i])) sample.push_back(pixels[i]);
  }
  Stretch stretch;
  if (sample.empty()) return stretch;
  const double sky = sample_quantile(sample, 0.5);
  const double sigma = sky - sample_quantile(sample, kLowerQuantile);
  stretch.black = sky + kBlackSigmas * sigma;
  stretch.white = sky + kWhiteSigmas * sigma;
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
  const int columns = std::max(1, pixels.width_px() / shrink);
  const int rows = std::max(1, pixels.height_px() / shrink);
  std::vector<float> means;
  means.reserve(static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows));
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
    for (const double sum : sums) means.push_back(static_cast<float>(sum / (shrink * shrink)));
  }
  const Stretch stretch = find_stretch(means);
  cv::Mat picture(rows, columns, CV_8UC1);
  std::transform(means.begin(), means.end(), picture.begin<std::uint8_t>(),
                 [&stretch](float mean) { return stretch.gray(mean); });
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
