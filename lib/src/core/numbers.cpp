#include "starwaist/numbers.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdio>

namespace starwaist {

std::string_view trimmed(std::string_view text) {
  constexpr std::string_view kBlanks = " \t\r\n";
  const auto first = text.find_first_not_of(kBlanks);
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(kBlanks) - first + 1);
}

std::string lower_case(std::string_view text) {
  std::string lowered(text);
  for (char& c : lowered) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return lowered;
}

std::optional<double> parse_number(std::string_view text) {
  std::string number(trimmed(text));
  if (!number.empty() && number.front() == '+') {
    number.erase(0, 1);
    if (!number.empty() && number.front() == '-') return std::nullopt;
  }
  std::replace(number.begin(), number.end(), 'D', 'E');
  std::replace(number.begin(), number.end(), 'd', 'e');
  double value = 0;
  const char* end = number.data() + number.size();
  const auto [stopped, error] = std::from_chars(number.data(), end, value);
  if (error != std::errc{} || stopped != end || !std::isfinite(value)) return std::nullopt;
  return value;
}

std::optional<double> parse_number_decimal_comma(std::string_view text) {
  std::string number(text);
  if (number.find('.') == std::string::npos) std::replace(number.begin(), number.end(), ',', '.');
  return parse_number(number);
}

std::string format_fixed(double value, int decimals) {
  if (!std::isfinite(value)) return "-";
  // 330 digits before the point at most, and the asked-for decimals behind it.
  std::string buffer(360 + static_cast<std::size_t>(std::max(decimals, 0)), '\0');
  const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                          std::chars_format::fixed, std::max(decimals, 0));
  if (error != std::errc{}) return "-";
  buffer.resize(static_cast<std::size_t>(end - buffer.data()));
  // "-0.00" is an artefact of rounding.
  if (buffer.front() == '-' && buffer.find_first_not_of("-0.") == std::string::npos) {
    buffer.erase(0, 1);
  }
  return buffer;
}

std::string format_like_sigma(double value, std::optional<double> sigma) {
  const bool known = sigma && *sigma > 0 && std::isfinite(*sigma);
  const double scale = known ? *sigma : std::abs(value);
  if (!(scale > 0)) return format_fixed(value, 0);
  const int leading_digit = static_cast<int>(std::floor(std::log10(scale)));
  return format_fixed(value, std::clamp((known ? 1 : 2) - leading_digit, 0, 12));
}

std::string format_shortest(double value) {
  char buffer[40];
  const auto [end, error] = std::to_chars(buffer, buffer + sizeof buffer, value);
  return {buffer, end};
}

std::string format_short(double value) {
  const bool whole = value == std::round(value);
  return whole ? format_fixed(value, 0) : format_like_sigma(value, std::nullopt);
}

}  // namespace starwaist
