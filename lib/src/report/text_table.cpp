#include "report/text_table.h"

#include <algorithm>

namespace starwaist::report {

namespace {

bool continues(unsigned char byte) { return (byte & 0xC0) == 0x80; }

// Length of the well-formed UTF-8 sequence at the start of `text`, 0 where there is none
// (overlong forms, surrogates and values over U+10FFFF refused; RFC 3629, section 4).
std::size_t sequence_length(std::string_view text) {
  const auto byte = [&](std::size_t i) {
    return i < text.size() ? static_cast<unsigned char>(text[i]) : static_cast<unsigned char>(0);
  };
  const unsigned char lead = byte(0);
  if (lead < 0x80) return 1;
  if (lead >= 0xC2 && lead <= 0xDF) return continues(byte(1)) ? 2 : 0;
  if (lead >= 0xE0 && lead <= 0xEF) {
    const unsigned char low = lead == 0xE0 ? 0xA0 : 0x80;
    const unsigned char high = lead == 0xED ? 0x9F : 0xBF;
    return byte(1) >= low && byte(1) <= high && continues(byte(2)) ? 3 : 0;
  }
  if (lead >= 0xF0 && lead <= 0xF4) {
    const unsigned char low = lead == 0xF0 ? 0x90 : 0x80;
    const unsigned char high = lead == 0xF4 ? 0x8F : 0xBF;
    return byte(1) >= low && byte(1) <= high && continues(byte(2)) && continues(byte(3)) ? 4 : 0;
  }
  return 0;
}

std::string padded(const std::string& text, std::size_t width, Align align) {
  const std::size_t have = screen_width(text);
  const std::string blanks(width > have ? width - have : 0, ' ');
  return align == Align::left ? text + blanks : blanks + text;
}

}  // namespace

std::string printable(std::string_view text) {
  std::string clean;
  clean.reserve(text.size());
  while (!text.empty()) {
    const std::size_t length = sequence_length(text);
    const auto lead = static_cast<unsigned char>(text.front());
    if (length == 0) {
      clean += '?';
    } else if (length == 1) {
      clean += lead < 0x20 || lead == 0x7F ? ' ' : text.front();
    } else if (length == 2 && lead == 0xC2 && static_cast<unsigned char>(text[1]) < 0xA0) {
      clean += ' ';  // C1 control
    } else {
      clean += text.substr(0, length);
    }
    text.remove_prefix(std::max<std::size_t>(length, 1));
  }
  return clean;
}

std::size_t screen_width(std::string_view text) {
  return static_cast<std::size_t>(std::count_if(
      text.begin(), text.end(), [](char c) { return !continues(static_cast<unsigned char>(c)); }));
}

std::string shortened(std::string_view text, std::size_t width) {
  if (screen_width(text) <= width) return std::string(text);
  // Byte offsets of the characters, so that none is cut through.
  std::vector<std::size_t> starts;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (!continues(static_cast<unsigned char>(text[i]))) starts.push_back(i);
  }
  if (width < 5) return std::string(text.substr(0, starts[width]));
  const std::size_t tail = (width - 3) / 2;
  const std::size_t head = width - 3 - tail;
  return std::string(text.substr(0, starts[head])) + "..." +
         std::string(text.substr(starts[starts.size() - tail]));
}

std::string wrapped(std::string_view text, std::string_view first_indent, std::size_t width) {
  const std::string indent(screen_width(first_indent), ' ');
  std::string result;
  std::string line(first_indent);
  std::size_t used = indent.size();
  bool line_empty = true;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find(' '), text.size());
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    if (word.empty()) continue;
    const std::size_t length = screen_width(word);
    if (!line_empty && used + 1 + length > width) {
      result += line + "\n";
      line = indent;
      used = indent.size();
      line_empty = true;
    }
    if (!line_empty) {
      line += ' ';
      ++used;
    }
    line += word;
    used += length;
    line_empty = false;
  }
  return result + line + "\n";
}

std::string aligned_table(const std::vector<Column>& columns,
                          const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> shown;
  std::vector<std::size_t> widths;
  bool any_unit = false;
  for (std::size_t c = 0; c < columns.size(); ++c) {
    const std::size_t unit_width = columns[c].unit.empty() ? 0 : screen_width(columns[c].unit) + 2;
    std::size_t width = std::max(screen_width(columns[c].heading), unit_width);
    bool used = false;
    for (const auto& row : rows) {
      used = used || !row[c].empty();
      width = std::max(width, screen_width(row[c]));
    }
    if (!used) continue;
    any_unit = any_unit || unit_width > 0;
    shown.push_back(c);
    widths.push_back(width);
  }
  std::string text;
  const auto add_line = [&](const auto& cell_of) {
    std::string line;
    for (std::size_t i = 0; i < shown.size(); ++i) {
      line += "  " + padded(cell_of(shown[i]), widths[i], columns[shown[i]].align);
    }
    line.erase(line.find_last_not_of(' ') + 1);
    text += line + "\n";
  };
  if (shown.empty()) return text;
  add_line([&](std::size_t c) { return columns[c].heading; });
  if (any_unit) {
    add_line([&](std::size_t c) {
      return columns[c].unit.empty() ? std::string() : "[" + columns[c].unit + "]";
    });
  }
  for (const auto& row : rows) add_line([&](std::size_t c) { return row[c]; });
  return text;
}

}  // namespace starwaist::report
