// Aligned columns and wrapped paragraphs for a terminal.
//
// Private header of module report.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace starwaist::report {

// Text of a file or header made safe to show: control characters (which could drive a terminal)
// become blanks and bytes that are no UTF-8 become '?'.
std::string printable(std::string_view text);

// Characters that `text` takes on screen, one a code point. Precondition: printable text.
std::size_t screen_width(std::string_view text);

// `text` cut in the middle to at most `width` characters, so that both ends of a file name show.
std::string shortened(std::string_view text, std::size_t width);

// Broken at blanks so that no line is longer than `width` (a longer word stands alone). The first
// line starts with `first_indent`, others with as many blanks.
std::string wrapped(std::string_view text, std::string_view first_indent, std::size_t width = 79);

enum class Align { left, right };

struct Column {
  std::string heading;
  std::string unit;  // in brackets under the heading; empty for none
  Align align = Align::right;
};

// Headings, units, then the rows. A column whose cells are all empty is left out. Ends with
// a line break. Precondition: every row has as many cells as there are columns.
std::string aligned_table(const std::vector<Column>& columns,
                          const std::vector<std::vector<std::string>>& rows);

}  // namespace starwaist::report
