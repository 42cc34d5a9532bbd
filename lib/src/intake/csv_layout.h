// Where the header row of a text table stands and what separates its cells.
//
// Private header of module intake.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "starwaist/intake.h"

namespace starwaist::intake_detail {

enum class Separator { semicolon, tab, comma, wide_blanks, blanks };

bool is_blanks(Separator separator);

struct Layout {
  Separator separator = Separator::comma;
  std::size_t header_begin = 0;  // in the text
  std::size_t header_end = 0;    // its line break, or the end of the text
  int header_line = 1;
  bool recognised = false;  // a heading is a usual one, or one that the user names
};

// The header row is the line with the most headings that are known, among the first fifty that are
// not blank; without any it is the first line that is no comment. What stands above it is a title.
// A comment ('#') may be the header too, and blanks may separate cells, where the next line is a
// row of as many cells with a number among them.
Layout layout_of(std::string_view text, const TableOptions& options);

// Blanks before it passed over, the line begins with '#'.
bool is_comment(std::string_view line);

// A line of dashes and the like, as under a header.
bool is_rule(std::string_view line);

// One line in cells; a quoted cell may hold separators and doubled quotes.
std::vector<std::string> split_line(std::string_view line, Separator separator);

}  // namespace starwaist::intake_detail
