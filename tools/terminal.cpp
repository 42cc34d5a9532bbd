#include "terminal.h"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <optional>

#include "starwaist/numbers.h"
#include "starwaist/report.h"

namespace starwaist::tool {

namespace {

// No sentence is broken into shorter lines than this; a choice, no source.
constexpr std::size_t kLeastWidth = 20;

std::optional<std::size_t> width_in_words(const char* columns) {
  if (columns == nullptr) return std::nullopt;
  constexpr double kMost = 10000;
  const auto number = parse_number(columns);
  if (!number || !(*number >= 1 && *number <= kMost)) return std::nullopt;
  return static_cast<std::size_t>(*number);
}

}  // namespace

std::size_t line_width(int descriptor, const char* columns) {
  if (isatty(descriptor) != 1) return TextOptions{}.width;
  if (const auto said = width_in_words(columns)) return std::max(*said, kLeastWidth);
  winsize size{};
  // A terminal that does not know its size says 0.
  if (ioctl(descriptor, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) return TextOptions{}.width;
  return std::max<std::size_t>(size.ws_col, kLeastWidth);
}

}  // namespace starwaist::tool
