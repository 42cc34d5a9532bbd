#include <charconv>
#include <cmath>
#include <string>
#include <type_traits>

#include "starwaist/report.h"

namespace starwaist {

namespace {

// A text cell. A leading = + - @ tab or return makes spreadsheets run the cell as a formula: a
// leading apostrophe, which they read as "this is text", stops that (OWASP, CSV injection; from
// memory). Quoting as in RFC 4180, section 2.
std::string text_cell(std::string text) {
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
std::string cell(double value) {
  if (!std::isfinite(value)) return {};
  char buffer[40];
  const auto [end, error] = std::to_chars(buffer, buffer + sizeof buffer, value);
  return {buffer, end};
}
std::string cell(int value) { return std::to_string(value); }
std::string cell(const std::string& value) { return text_cell(value); }
template <class Value>
std::string cell(const std::optional<Value>& value) {
  return value ? cell(*value) : std::string();
}
std::string cell(const std::vector<std::string>& values) {
  std::string joined;
  for (const auto& value : values) joined += (joined.empty() ? "" : "; ") + value;
  return text_cell(joined);
}

std::string cell(const std::vector<std::pair<std::string, std::string>>& values) {
  std::string joined;
  for (const auto& [name, value] : values) {
    joined += (joined.empty() ? "" : "; ") + name + "=" + value;
  }
  return text_cell(joined);
}

// The stars and defects of a frame have no place in one row.
template <class Member>
constexpr bool kHasCell = !std::is_same_v<Member, std::vector<Star>> &&
                          !std::is_same_v<Member, std::vector<StarPlace>>;

}  // namespace

std::string measure_csv(const std::vector<FrameMeasurement>& frames) {
  std::string text;
  const auto end_row = [&](std::string& row) {
    text += row + "\r\n";
    row.clear();
  };
  std::string row;
  bool first = true;
  const auto add = [&](const std::string& content) {
    if (!first) row += ',';
    row += content;
    first = false;
  };
  std::apply(
      [&](const auto&... f) {
        const auto heading = [&](const auto& described) {
          using Member = typename std::decay_t<decltype(described)>::member_type;
          if constexpr (kHasCell<Member>) add(std::string(described.name));
        };
        (heading(f), ...);
      },
      Fields<FrameMeasurement>::list);
  end_row(row);
  for (const auto& frame : frames) {
    first = true;
    for_each_field(frame, [&](const auto&, const auto& value) {
      if constexpr (kHasCell<std::decay_t<decltype(value)>>) add(cell(value));
    });
    end_row(row);
  }
  return text;
}

}  // namespace starwaist
