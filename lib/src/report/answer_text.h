// The parts that answers for people share: lines with names, bullets, gaps in tables.
//
// Private header of module report.
#pragma once

#include <algorithm>
#include <optional>
#include <string>
#include <vector>

#include "report/text_table.h"
#include "starwaist/numbers.h"
#include "starwaist/run.h"

namespace starwaist::report {

template <class Value>
std::string fixed_or_empty(const std::optional<Value>& value, int decimals) {
  return value ? format_fixed(static_cast<double>(*value), decimals) : std::string();
}

inline std::string dash_if_empty(const std::string& text) { return text.empty() ? "-" : text; }

// A column that is empty throughout is dropped by aligned_table; in one that is not, a missing
// value shows as a dash.
inline void dash_gaps(std::vector<std::vector<std::string>>& rows) {
  if (rows.empty()) return;
  for (std::size_t c = 0; c < rows.front().size(); ++c) {
    const bool used =
        std::any_of(rows.begin(), rows.end(), [&](const auto& row) { return !row[c].empty(); });
    if (!used) continue;
    for (auto& row : rows) row[c] = dash_if_empty(row[c]);
  }
}

inline std::string count_words(std::size_t count, const std::string& one, const std::string& many) {
  return std::to_string(count) + " " + (count == 1 ? one : many);
}

// "5033.2 ± 1.9"
inline std::string with_sigma(double value, double sigma) {
  return format_like_sigma(value, sigma) + " ± " + format_like_sigma(sigma, sigma);
}

inline std::string bullets(const std::vector<std::string>& lines) {
  std::string text;
  for (const auto& line : lines) text += wrapped(printable(line), "  - ");
  return text;
}

// "name   text" with the names of the answer in one column.
inline std::string answer_line(const std::string& name, const std::string& text) {
  constexpr std::size_t kNameWidth = 15;
  std::string first = name + ":";
  first.resize(std::max(kNameWidth, first.size() + 1), ' ');
  return wrapped(text, first);
}

// A heading over bullets; nothing where there are none.
inline std::string section(const std::string& heading, const std::vector<std::string>& lines) {
  return lines.empty() ? std::string() : "\n" + heading + "\n" + bullets(lines);
}

inline std::vector<std::string> skipped_lines(const std::vector<SkippedFile>& skipped) {
  std::vector<std::string> lines;
  lines.reserve(skipped.size());
  for (const auto& file : skipped) lines.push_back(file.file + ": " + file.reason);
  return lines;
}

}  // namespace starwaist::report
