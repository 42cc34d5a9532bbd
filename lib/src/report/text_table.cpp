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

// Where the next piece that no line break may go through ends: a word, but "24 %" and "5031 ± 2"
// stay together.
std::size_t piece_end(std::string_view text) {
  constexpr std::string_view kPlusMinus = "±";
  std::size_t end = std::min(text.find(' '), text.size());
  while (end < text.size()) {
    const std::string_view after = text.substr(end + 1);
    const bool glued = after.substr(0, 1) == "%" ||
                       after.substr(0, kPlusMinus.size()) == kPlusMinus ||
                       (end >= kPlusMinus.size() &&
                        text.substr(end - kPlusMinus.size(), kPlusMinus.size()) == kPlusMinus);
    if (!glued || end == 0) break;
    end = std::min(text.find(' ', end + 1), text.size());
  }
  return end;
}

// Of wrapped and labelled: `hanging` blanks before every line but the first.
std::string broken_at_blanks(std::string_view text, std::string_view first_indent,
                             std::size_t hanging, std::size_t width) {
  std::string result;
  std::string line(first_indent);
  std::size_t used = screen_width(first_indent);
  bool line_empty = true;
  while (!text.empty()) {
    const std::size_t end = piece_end(text);
    const std::string_view word = text.substr(0, end);
    text.remove_prefix(std::min(end + 1, text.size()));
    if (word.empty()) continue;
    const std::size_t length = screen_width(word);
    if (!line_empty && used + 1 + length > width) {
      result += line + "\n";
      line.assign(hanging, ' ');
      used = hanging;
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

using Rows = std::vector<std::vector<std::string>>;

constexpr std::size_t kGap = 2;  // before each column

// Columns that are shown, each with its width.
struct Layout {
  struct Shown {
    std::size_t column;
    std::size_t width;
  };
  std::vector<Shown> shown;
  [[nodiscard]] std::size_t width() const {
    std::size_t sum = 0;
    for (const Shown& s : shown) sum += kGap + s.width;
    return sum;
  }
};

// Every column that has a cell, as wide as its widest.
Layout natural_layout(const std::vector<Column>& columns, const Rows& rows) {
  Layout layout;
  for (std::size_t c = 0; c < columns.size(); ++c) {
    const std::size_t unit_width = columns[c].unit.empty() ? 0 : screen_width(columns[c].unit) + 2;
    std::size_t width = std::max(screen_width(columns[c].heading), unit_width);
    bool used = false;
    for (const auto& row : rows) {
      used = used || !row[c].empty();
      width = std::max(width, screen_width(row[c]));
    }
    if (used) layout.shown.push_back({c, width});
  }
  return layout;
}

// Narrows one column as far as it may be. False where that does not make room enough.
bool shrink(Layout& layout, std::size_t column, std::size_t least, std::size_t width) {
  const std::size_t excess = layout.width() - width;
  for (Layout::Shown& s : layout.shown) {
    if (s.column != column || s.width < least + excess) continue;
    s.width -= excess;
    return true;
  }
  return false;
}

// Lets columns leave until the table has room. False where it has none even then.
bool make_room(const std::vector<Column>& columns, std::size_t width, Layout& layout) {
  while (layout.width() > width) {
    for (const Layout::Shown& s : layout.shown) {
      const std::size_t least = columns[s.column].least;
      if (least > 0 && shrink(layout, s.column, least, width)) return true;
    }
    const auto first = std::max_element(
        layout.shown.begin(), layout.shown.end(), [&](const auto& a, const auto& b) {
          return columns[a.column].leaves < columns[b.column].leaves;
        });
    if (first != layout.shown.end() && columns[first->column].leaves > 0) {
      layout.shown.erase(first);
      continue;
    }
    constexpr std::size_t kLeastWrapped = 12;  // a few words; a choice, no source
    return !layout.shown.empty() && columns[layout.shown.back().column].wraps &&
           shrink(layout, layout.shown.back().column, kLeastWrapped, width);
  }
  return true;
}

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  for (std::size_t start = 0; start < text.size();) {
    const std::size_t end = text.find('\n', start);
    lines.push_back(text.substr(start, end - start));
    start = end == std::string::npos ? text.size() : end + 1;
  }
  return lines;
}

// Each row by itself: "Temp 2.0 °C, Filter Ha".
std::string sentences(const std::vector<Column>& columns, const Rows& rows, std::size_t width) {
  std::string text;
  for (const auto& row : rows) {
    std::string words;
    for (std::size_t c = 0; c < columns.size(); ++c) {
      if (row[c].empty() || row[c] == "-") continue;
      words += words.empty() ? "" : ", ";
      words += columns[c].heading + (columns[c].heading.empty() ? "" : " ") + row[c];
      if (!columns[c].unit.empty()) words += " " + columns[c].unit;
    }
    text += broken_at_blanks(words, "  ", 2 * kGap, width);
  }
  return text;
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
  return broken_at_blanks(text, first_indent, screen_width(first_indent), width);
}

std::string labelled(std::string_view label, std::string_view text, std::size_t width) {
  if (width >= kNarrow) return wrapped(text, label, width);
  const std::size_t start = std::min(label.find_first_not_of(' '), label.size());
  const std::size_t end = label.find_last_not_of(' ') + 1;
  constexpr std::size_t kHanging = 2;
  return broken_at_blanks(text, std::string(label.substr(0, end)) + " ", start + kHanging, width);
}

bool fits(std::string_view text, std::size_t width) {
  const auto lines = lines_of(std::string(text));
  return std::all_of(lines.begin(), lines.end(),
                     [&](const std::string& line) { return screen_width(line) <= width; });
}

std::string aligned_table(const std::vector<Column>& columns, const Rows& rows, std::size_t width) {
  Layout layout = natural_layout(columns, rows);
  if (!make_room(columns, width, layout)) return sentences(columns, rows, width);
  std::string text;
  const auto add_line = [&](const auto& cell_of) {
    std::string line;
    for (const Layout::Shown& s : layout.shown) {
      line += std::string(kGap, ' ') +
              padded(shortened(cell_of(s.column), s.width), s.width, columns[s.column].align);
    }
    line.erase(line.find_last_not_of(' ') + 1);
    text += line + "\n";
  };
  if (layout.shown.empty()) return text;
  add_line([&](std::size_t c) { return columns[c].heading; });
  if (std::any_of(layout.shown.begin(), layout.shown.end(),
                  [&](const auto& s) { return !columns[s.column].unit.empty(); })) {
    add_line([&](std::size_t c) {
      return columns[c].unit.empty() ? std::string() : "[" + columns[c].unit + "]";
    });
  }
  const Layout::Shown last = layout.shown.back();
  for (const auto& row : rows) {
    std::vector<std::string> in_last = {row[last.column]};
    if (columns[last.column].wraps) in_last = lines_of(wrapped(row[last.column], "", last.width));
    for (std::size_t i = 0; i < in_last.size(); ++i) {
      add_line([&](std::size_t c) {
        return c == last.column ? in_last[i] : i == 0 ? row[c] : std::string();
      });
    }
  }
  return text;
}

}  // namespace starwaist::report
