#include "report/advice_words.h"

#include <algorithm>
#include <cmath>

#include "report/text_table.h"
#include "starwaist/numbers.h"

namespace starwaist::report {

std::string named_line(const std::string& name, const std::string& text) {
  constexpr std::size_t kNameWidth = 15;
  std::string first = name + ":";
  first.resize(std::max(kNameWidth, first.size() + 1), ' ');
  return wrapped(text, first);
}

std::string bullet_section(const std::string& heading, const std::vector<std::string>& lines) {
  if (lines.empty()) return {};
  std::string text = "\n" + heading + "\n";
  for (const std::string& line : lines) text += wrapped(printable(line), "  - ");
  return text;
}

std::string rounded(double value) {
  const bool whole = std::abs(value) >= 1 && value == std::round(value);
  return whole ? format_fixed(value, 0) : format_like_sigma(value, std::nullopt);
}

}  // namespace starwaist::report
