#include "intake/csv_layout.h"

#include <algorithm>
#include <array>
#include <optional>
#include <set>

#include "intake/headings.h"
#include "starwaist/numbers.h"

namespace starwaist::intake_detail {
namespace {

constexpr std::size_t kLinesLookedAt = 50;

// In the order in which they are preferred.
constexpr std::array kSeparators = {Separator::semicolon, Separator::tab, Separator::comma,
                                    Separator::wide_blanks, Separator::blanks};

struct Line {
  std::size_t begin = 0;
  std::size_t end = 0;
  int number = 1;
  std::string_view text;  // without the mark of a comment
  bool comment = false;
};

// The first lines that are not blank.
std::vector<Line> first_lines(std::string_view text) {
  std::vector<Line> lines;
  int number = 1;
  for (std::size_t begin = 0; begin < text.size() && lines.size() < kLinesLookedAt; ++number) {
    const std::size_t end = std::min(text.find_first_of("\r\n", begin), text.size());
    const std::string_view whole = text.substr(begin, end - begin);
    if (!trimmed(whole).empty()) {
      Line line{begin, end, number, whole, is_comment(whole)};
      if (line.comment) {
        const std::size_t mark = whole.find('#');
        line.begin += mark + 1;
        line.text = whole.substr(mark + 1);
      }
      lines.push_back(line);
    }
    begin = end + (text.substr(end, 2) == "\r\n" ? 2 : 1);
  }
  return lines;
}

bool is_number(const std::string& cell) { return parse_number_decimal_comma(cell).has_value(); }

std::size_t known_headings(const std::vector<std::string>& cells, const TableOptions& options) {
  std::set<std::string> known;
  for (const std::string& cell : cells) {
    const std::string lowered = lower_case(cell);
    const bool named = std::any_of(
        options.columns.begin(), options.columns.end(),
        [&lowered](const auto& column) { return lower_case(column.second) == lowered; });
    if (named || is_usual_heading(cell)) known.insert(lowered);
  }
  return known.size();
}

// The next line that is no comment is a row of as many cells, a number among them.
bool rows_follow(const std::vector<Line>& lines, std::size_t header, std::size_t cells,
                 Separator separator) {
  const auto next =
      std::find_if(lines.begin() + static_cast<std::ptrdiff_t>(header) + 1, lines.end(),
                   [](const Line& line) { return !line.comment && !is_rule(line.text); });
  if (next == lines.end()) return false;
  const std::vector<std::string> row = split_line(next->text, separator);
  return row.size() == cells && std::any_of(row.begin(), row.end(), is_number);
}

// The separator that a line without known headings has most of.
Separator likeliest_separator(std::string_view line) {
  Separator best = Separator::comma;
  std::size_t most = 1;
  for (const Separator separator : kSeparators) {
    const std::size_t cells = split_line(line, separator).size();
    if (cells > most && !(is_blanks(separator) && most > 1)) {
      best = separator;
      most = cells;
    }
  }
  return best;
}

}  // namespace

bool is_blanks(Separator separator) {
  return separator == Separator::blanks || separator == Separator::wide_blanks;
}

bool is_comment(std::string_view line) {
  const std::size_t first = line.find_first_not_of(" \t");
  return first != std::string_view::npos && line[first] == '#';
}

bool is_rule(std::string_view line) {
  return line.find_first_not_of("-=+| \t") == std::string_view::npos &&
         line.find_first_of("-=") != std::string_view::npos;
}

std::vector<std::string> split_line(std::string_view line, Separator separator) {
  const auto is_blank = [](char c) { return c == ' ' || c == '\t'; };
  const bool by_blanks = is_blanks(separator);
  if (by_blanks) line = trimmed(line);
  std::vector<std::string> cells;
  std::string cell;
  bool quoted = false;
  bool was_quoted = false;
  const auto end_cell = [&] {
    cells.push_back(was_quoted ? cell : std::string(trimmed(cell)));
    cell.clear();
    was_quoted = false;
  };
  for (std::size_t i = 0; i < line.size(); ++i) {
    const char c = line[i];
    const char next = i + 1 < line.size() ? line[i + 1] : '\0';
    if (quoted) {
      if (c == '"' && next == '"') {
        cell += '"';
        ++i;
      } else if (c == '"') {
        quoted = false;
      } else {
        cell += c;
      }
    } else if (c == '"' && trimmed(cell).empty()) {
      cell.clear();
      quoted = was_quoted = true;
    } else if (by_blanks && is_blank(c) &&
               (separator == Separator::blanks || c == '\t' || is_blank(next))) {
      end_cell();
      while (i + 1 < line.size() && is_blank(line[i + 1])) ++i;
    } else if ((separator == Separator::semicolon && c == ';') ||
               (separator == Separator::tab && c == '\t') ||
               (separator == Separator::comma && c == ',')) {
      end_cell();
    } else if (!was_quoted || !is_blank(c)) {
      cell += c;
    }
  }
  end_cell();
  return cells;
}

Layout layout_of(std::string_view text, const TableOptions& options) {
  const std::vector<Line> lines = first_lines(text);
  Layout layout;
  std::size_t most = 0;
  const auto take = [&](const Line& line, Separator separator) {
    layout = {separator, line.begin, line.end, line.number, most > 0};
  };
  // A comment is the header only where it has more of them than any other line.
  for (const bool comments : {false, true}) {
    for (std::size_t i = 0; i < lines.size(); ++i) {
      if (lines[i].comment != comments) continue;
      for (const Separator separator : kSeparators) {
        const std::vector<std::string> cells = split_line(lines[i].text, separator);
        const std::size_t known = known_headings(cells, options);
        if (known <= most) continue;
        // A single word is split by everything alike.
        if (is_blanks(separator) && cells.size() < 2) continue;
        if ((is_blanks(separator) || comments) && !rows_follow(lines, i, cells.size(), separator))
          continue;
        most = known;
        take(lines[i], separator);
      }
    }
  }
  if (most > 0) return layout;
  const auto first =
      std::find_if(lines.begin(), lines.end(), [](const Line& line) { return !line.comment; });
  if (first != lines.end()) take(*first, likeliest_separator(first->text));
  return layout;
}

}  // namespace starwaist::intake_detail
