// What the figures have in common: colours, text and numbers as gnuplot reads them, drawing.
//
// Private header of module report.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <functional>
#include <limits>
#include <string>
#include <vector>

#include "starwaist/report.h"

namespace starwaist::report {

// Okabe & Ito's palette, told apart by the colour-blind (from memory), and greys.
inline constexpr const char* kPointColor = "#0072B2";
inline constexpr const char* kCurveColor = "#D55E00";
inline constexpr const char* kRejectedColor = "#7A7A7A";
inline constexpr const char* kReasonColor = "#9A3B00";
inline constexpr const char* kInkColor = "#333333";
inline constexpr std::size_t kReasonWidth = 125;  // characters of one line of the figure

// A gnuplot string that is only ever text: everything but plain letters, digits and a few marks is
// written as an octal escape, so no quote, backquote, backslash, $ or @ of a file name reaches
// gnuplot's parser.
std::string quoted(const std::string& text);

// Twelve significant digits without the locale.
std::string number(double value);

// Commands that choose the kind of picture, 1280 by 960.
std::string terminal(FigureFormat format);

// "font ..." of so many points for pngcairo; the SVG terminal counts in pixels.
std::string font(FigureFormat format, int points);

// 1, 2 or 5 times a power of ten, so that one or two ticks lie on each side of nought.
double nice_step(double largest);

struct Range {
  double low = std::numeric_limits<double>::infinity();
  double high = -std::numeric_limits<double>::infinity();

  void include(double value) {
    low = std::min(low, value);
    high = std::max(high, value);
  }
  [[nodiscard]] bool empty() const { return !(low <= high); }
  [[nodiscard]] double width() const { return high - low; }
  // Room of `fraction` of the width on both sides; some width even for a single value.
  void pad(double fraction) {
    if (!(width() > 1e-9 * std::abs(low))) {
      const double room = std::max(1e-3, 0.1 * std::abs(low));
      low -= room;
      high += room;
    }
    const double room = fraction * width();
    low -= room;
    high += room;
  }
};

// The picture that gnuplot makes of the script, with title and description for screen readers in
// SVG. Errors: cannot_write.
Result<std::string> drawn_figure(const std::string& script, FigureFormat format,
                                 const std::string& title, const std::string& description);

// Draws in the format of the path's ending and writes the file. Errors: invalid_argument for
// another ending, cannot_write.
Result<void> write_figure(const std::string& path, const std::vector<std::string>& protected_paths,
                          const std::function<Result<std::string>(FigureFormat)>& draw);

}  // namespace starwaist::report
