// Cells of a CSV table.
//
// Private header of module report.
#pragma once

#include <cmath>
#include <cstdint>
#include <optional>
#include <string>
#include <type_traits>
#include <utility>
#include <vector>

#include "starwaist/numbers.h"
#include "starwaist/statement.h"

namespace starwaist::report {

// A text cell. A leading = + - @ tab or return makes spreadsheets run the cell as a formula: a
// leading apostrophe, which they read as "this is text", stops that (OWASP, CSV injection; from
// memory). Quoting as in RFC 4180, section 2.
inline std::string text_cell(std::string text) {
  if (!text.empty() && std::string("=+-@\t\r").find(text.front()) != std::string::npos) {
    text.insert(0, 1, '\'');
  }
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

// Shortest text that reads back as the same number; empty where there is none.
inline std::string cell(double value) {
  return std::isfinite(value) ? format_shortest(value) : std::string();
}
inline std::string cell(std::int64_t value) { return std::to_string(value); }
inline std::string cell(int value) { return std::to_string(value); }
inline std::string cell(const std::string& value) { return text_cell(value); }
template <class Enum>
requires std::is_enum_v<Enum> std::string cell(Enum value) { return enum_name(value); }
template <class Value>
std::string cell(const std::optional<Value>& value) {
  return value ? cell(*value) : std::string();
}
inline std::string cell(const std::vector<std::string>& values) {
  std::string joined;
  for (const auto& value : values) joined += (joined.empty() ? "" : "; ") + value;
  return text_cell(joined);
}
inline std::string cell(const std::vector<Statement>& statements) {
  return cell(texts_of(statements));
}

inline std::string cell(const std::vector<std::pair<std::string, std::string>>& values) {
  std::string joined;
  for (const auto& [name, value] : values) {
    joined += (joined.empty() ? "" : "; ") + name + "=" + value;
  }
  return text_cell(joined);
}

}  // namespace starwaist::report
