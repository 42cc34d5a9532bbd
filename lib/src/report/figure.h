// What the figures have in common: the data of a gnuplot template, drawing, writing.
//
// A figure is a template (lib/src/report/*.gp, embedded by CMake) behind the variables, lists and
// blocks that it reads. Headers and file names reach gnuplot only as quoted text.
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

inline constexpr std::size_t kReasonWidth = 125;  // characters of one line of the figure

extern const char* const kFigureScript;  // what the others begin with
extern const char* const kFocusPlotScript;
extern const char* const kDriftPlotScript;
extern const char* const kNightPlotScript;

// A gnuplot string that is only ever text: everything but plain letters, digits and a few marks is
// written as an octal escape, so no quote, backquote, backslash, $ or @ of a file name reaches
// gnuplot's parser.
std::string quoted(const std::string& text);

// Twelve significant digits without the locale; whole numbers below 1e9 without a point.
std::string number(double value);

// What a template reads, by the names that it has there.
class FigureData {
 public:
  void put(const std::string& name, double value);
  void put(const std::string& name, const std::string& text);
  // Lists count from 1. One without elements cannot be asked for any.
  void put(const std::string& name, const std::vector<double>& values);
  void put(const std::string& name, const std::vector<std::string>& texts);
  // $name: numbers in columns. A row without numbers breaks a line that is drawn through the rows.
  void put_block(const std::string& name, const std::vector<std::vector<double>>& rows);
  [[nodiscard]] const std::string& script() const { return script_; }

 private:
  void put_list(const std::string& name, const std::string& list, std::size_t size);

  std::string script_;
};

// 1, 2 or 5 times a power of ten, so that one or two ticks lie on each side of zero.
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

// A figure ready to be drawn; title and description are for screen readers, in SVG.
struct Figure {
  FigureData data;
  const char* script = nullptr;  // the template
  std::string title;
  std::string description;
};

// Errors: cannot_write.
Result<std::string> drawn_figure(const Figure& figure, FigureFormat format);

// Draws in the format of the path's ending and writes the file. Errors: invalid_argument for
// another ending, cannot_write.
Result<void> write_figure(const std::string& path, const std::vector<std::string>& protected_paths,
                          const std::function<Result<std::string>(FigureFormat)>& draw);

}  // namespace starwaist::report
