// A frame as a picture: the stretch for the eye, shrinking, PNG, where the stars' marks lie.
//
// Private header of module report.
#pragma once

#include <cstdint>
#include <opencv2/core.hpp>
#include <string>

#include "starwaist/frame.h"
#include "starwaist/stars.h"

namespace starwaist::report {

// From values to shades of grey by asinh, so that faint stars show and bright ones keep a shape.
struct Stretch {
  double black = 0;
  double white = 1;

  [[nodiscard]] std::uint8_t gray(double value) const;
};

// The smallest power of two that brings the longer side to at most `longest_px`.
int shrink_to(const PixelBuffer& pixels, int longest_px);

// The frame in grey, each output pixel the mean of shrink x shrink.
cv::Mat gray_picture(const PixelBuffer& pixels, int shrink);

// Where the mark of a star lies in a picture that was shrunk, and how large it is.
struct Mark {
  double x_px = 0;
  double y_px = 0;
  double radius_px = 0;
};
Mark mark_of(const Star& star, int shrink);

// A PNG of a picture of 8 bits, grey or BGR; empty where libpng refuses. (OpenCV's own encoder
// would pull in a hundred shared libraries and double the program's start.)
std::string png_of(const cv::Mat& picture);

}  // namespace starwaist::report
