#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "report/picture.h"
#include "starwaist/frame.h"
#include "starwaist/report.h"

namespace starwaist {

namespace {

constexpr int kLongestSidePx = 4096;
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
  const auto [x, y, radius] = report::mark_of(star, shrink);
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

}  // namespace

Result<void> write_overlay(const MeasuredFrame& frame, const std::string& png_path,
                           const std::vector<std::string>& protected_paths) {
  if (auto allowed = check_output_file(png_path, protected_paths); !allowed) return allowed;
  const auto read = read_frame(frame.path);
  if (!read) return tl::unexpected<Error>(read.error());
  const int shrink = report::shrink_to(read->pixels, kLongestSidePx);
  std::string bytes;
  try {
    cv::Mat picture;
    cv::cvtColor(report::gray_picture(read->pixels, shrink), picture, cv::COLOR_GRAY2BGR);
    for (const auto& star : frame.measurement.stars) {
      if (std::isfinite(star.x_px) && std::isfinite(star.y_px)) mark(picture, star, shrink);
    }
    bytes = report::png_of(picture);
  } catch (const cv::Exception&) {
    bytes.clear();
  }
  if (bytes.empty()) {
    return fail(ErrorCode::cannot_write, png_path + ": the picture could not be encoded",
                "Leave out the overlay");
  }
  return write_whole_file(png_path, bytes, protected_paths);
}

}  // namespace starwaist
