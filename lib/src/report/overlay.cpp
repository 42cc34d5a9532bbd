#include <png.h>

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "starwaist/report.h"
#include "starwaist/statistics.h"

namespace starwaist {

namespace {

constexpr int kLongestSidePx = 4096;
// The stretch: the sky's 1 % quantile is black and its 99.7 % quantile is near white, by asinh in
// between, so that faint stars show and bright ones keep a shape.
constexpr double kBlackQuantile = 0.01;
constexpr double kWhiteQuantile = 0.997;
constexpr double kSoftening = 0.1;
constexpr std::size_t kSampledPixels = 200000;
constexpr double kSmallestMarkPx = 5.0;

struct Stretch {
  double black = 0;
  double white = 1;

  [[nodiscard]] std::uint8_t gray(double value) const {
    if (!(value == value)) return 0;  // a pixel without a value
    const double x = std::clamp((value - black) / (white - black), 0.0, 1.0);
    return static_cast<std::uint8_t>(
        std::lround(255 * std::asinh(x / kSoftening) / std::asinh(1 / kSoftening)));
  }
};

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

// The frame in grey, each output pixel the mean of shrink x shrink.
cv::Mat picture_of(const PixelBuffer& pixels, int shrink) {
  const Stretch stretch = find_stretch(pixels);
  const int columns = std::max(1, pixels.width_px() / shrink);
  const int rows = std::max(1, pixels.height_px() / shrink);
  cv::Mat picture(rows, columns, CV_8UC3);
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
      const std::uint8_t gray = stretch.gray(sums[static_cast<std::size_t>(x)] / (shrink * shrink));
      picture.at<cv::Vec3b>(y, x) = cv::Vec3b(gray, gray, gray);
    }
  }
  return picture;
}

// Colours (blue, green, red) of Okabe & Ito's palette, which the colour-blind can distinguish, and
// each kind has a shape of its own too.
const cv::Scalar kUsedColor(115, 220, 60);
const cv::Scalar kSaturatedColor(0, 159, 230);
const cv::Scalar kBlendedColor(233, 180, 86);
const cv::Scalar kEdgeColor(160, 160, 160);

void mark(cv::Mat& picture, const Star& star, int shrink) {
  // Sub-pixel drawing: OpenCV takes coordinates in 1/16 px with shift 4.
  constexpr int kShift = 4;
  constexpr double kUnits = 1 << kShift;
  const double radius =
      std::max(kSmallestMarkPx, 1.5 * star.hfr_px.value_or(kSmallestMarkPx) / shrink + 2);
  const double x = (star.x_px + 0.5) / shrink - 0.5;
  const double y = (star.y_px + 0.5) / shrink - 0.5;
  const auto fixed = [](double value) { return static_cast<int>(std::lround(value * kUnits)); };
  const cv::Point centre(fixed(x), fixed(y));
  if (star.saturated || star.blended) {
    const cv::Point reach(fixed(radius), fixed(radius));
    cv::rectangle(picture, centre - reach, centre + reach,
                  star.saturated ? kSaturatedColor : kBlendedColor, 1, cv::LINE_AA, kShift);
  } else {
    cv::circle(picture, centre, fixed(radius), star.at_edge ? kEdgeColor : kUsedColor, 1,
               cv::LINE_AA, kShift);
  }
}

// Empty where libpng refuses. (OpenCV's own encoder would pull in a hundred shared libraries and
// double the program's start.)
std::vector<unsigned char> png_of(const cv::Mat& picture) {
  png_image image{};
  image.version = PNG_IMAGE_VERSION;
  image.width = static_cast<png_uint_32>(picture.cols);
  image.height = static_cast<png_uint_32>(picture.rows);
  image.format = PNG_FORMAT_BGR;
  const auto stride = static_cast<png_int_32>(picture.step[0]);
  png_alloc_size_t size = PNG_IMAGE_PNG_SIZE_MAX(image);
  std::vector<unsigned char> bytes(size);
  if (png_image_write_to_memory(&image, bytes.data(), &size, 0, picture.data, stride, nullptr) ==
      0) {
    return {};
  }
  bytes.resize(size);
  return bytes;
}

}  // namespace

Result<void> write_overlay(const MeasuredFrame& frame, const std::string& png_path,
                           const std::vector<std::string>& protected_paths) {
  if (auto allowed = check_output_file(png_path, protected_paths); !allowed) return allowed;
  const auto read = read_frame(frame.path);
  if (!read) return tl::unexpected<Error>(read.error());
  const int longest = std::max(read->pixels.width_px(), read->pixels.height_px());
  int shrink = 1;
  while (longest / shrink > kLongestSidePx) shrink *= 2;
  std::vector<unsigned char> bytes;
  try {
    cv::Mat picture = picture_of(read->pixels, shrink);
    for (const auto& star : frame.measurement.stars) {
      if (std::isfinite(star.x_px) && std::isfinite(star.y_px)) mark(picture, star, shrink);
    }
    bytes = png_of(picture);
  } catch (const cv::Exception&) {
    bytes.clear();
  }
  if (bytes.empty()) {
    return fail(ErrorCode::cannot_write, png_path + ": the picture could not be encoded",
                "Leave out the overlay");
  }
  return write_whole_file(png_path, std::string(bytes.begin(), bytes.end()), protected_paths);
}

}  // namespace starwaist
