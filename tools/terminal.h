// What the terminal has room for.
#pragma once

#include <cstddef>

namespace starwaist::tool {

// Characters of a line that is written to `descriptor`: of a terminal as many as `columns` (the
// variable COLUMNS; null: not set) or else the terminal says, of a file or a pipe 79.
std::size_t line_width(int descriptor, const char* columns);

}  // namespace starwaist::tool
