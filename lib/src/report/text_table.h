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
std::string wrapped(std::string_view text, std::string_view first_indent, std::size_t width);

// "label text": further lines stand under the text, or, on a narrow screen, only a little to the
// right of the label.
std::string labelled(std::string_view label, std::string_view text, std::size_t width);

// A screen narrower than this has no room for a column of labels; a choice, no source.
inline constexpr std::size_t kNarrow = 60;

// Whether no line is longer than `width`.
bool fits(std::string_view text, std::size_t width);

enum class Align { left, right };

struct Column {
  std::string heading;
  std::string unit;  // in brackets under the heading; empty for none
  Align align = Align::right;
  // Of a table that is too wide the column with the highest number is left out first; 0: never.
  int leaves = 0;
  // Cells may be shortened to this before a column leaves; 0: never. At most one column of a table.
  std::size_t least = 0;
  bool wraps = false;  // the last column: its text goes on below, once no more columns can leave
};

// Headings, units, then the rows, no line longer than `width`. A column whose cells are all empty
// is left out. Where columns that leave do not make room enough, each row is a sentence of its
// headings and cells. Ends with a line break. Precondition: every row has as many cells as there
// are columns.
std::string aligned_table(const std::vector<Column>& columns,
                          const std::vector<std::vector<std::string>>& rows, std::size_t width);

}  // namespace starwaist::report
