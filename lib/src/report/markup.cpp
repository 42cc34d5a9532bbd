#include "report/markup.h"

#include <algorithm>
#include <cstdint>

#include "report/text_table.h"

namespace starwaist::report {

namespace {

// Columns that have a value somewhere.
std::vector<std::size_t> columns_in_use(const Table& table) {
  std::vector<std::size_t> used;
  for (std::size_t c = 0; c < table.columns.size(); ++c) {
    if (std::any_of(table.rows.begin(), table.rows.end(),
                    [c](const auto& row) { return !row[c].empty(); })) {
      used.push_back(c);
    }
  }
  return used;
}

std::string side_of(const Column& column) {
  return column.align == Align::left ? " class=\"words\"" : "";
}

std::string heading_row(const Table& table, const std::vector<std::size_t>& used) {
  std::string html = "<thead><tr>";
  for (const std::size_t c : used) {
    const Column& column = table.columns[c];
    html += "<th scope=\"col\"" + side_of(column) + ">" + escaped(column.heading);
    if (!column.unit.empty()) html += " <small>[" + escaped(column.unit) + "]</small>";
    html += "</th>";
  }
  return html + "</tr></thead>\n";
}

}  // namespace

std::string escaped(std::string_view text) {
  std::string result;
  result.reserve(text.size());
  for (const char c : text) {
    switch (c) {
      case '&':
        result += "&amp;";
        break;
      case '<':
        result += "&lt;";
        break;
      case '>':
        result += "&gt;";
        break;
      case '"':
        result += "&quot;";
        break;
      case '\'':
        result += "&#39;";
        break;
      default:
        result += c;
    }
  }
  return result;
}

std::string shown(std::string_view text) { return escaped(printable(text)); }

std::string base64(std::string_view bytes) {
  static constexpr std::string_view kLetters =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    const std::size_t count = std::min<std::size_t>(3, bytes.size() - i);
    std::uint32_t group = 0;
    for (std::size_t k = 0; k < 3; ++k) {
      group = group << 8U | (k < count ? static_cast<unsigned char>(bytes[i + k]) : 0U);
    }
    for (std::size_t k = 0; k < 4; ++k) {
      text += k <= count ? kLetters[group >> (18U - 6U * k) & 63U] : '=';
    }
  }
  return text;
}

std::string script_json(const encoding::Json& json) {
  std::string text;
  for (const char c : json.dump(-1, ' ', true, encoding::Json::error_handler_t::replace)) {
    switch (c) {
      case '<':
        text += "\\u003c";
        break;
      case '>':
        text += "\\u003e";
        break;
      case '&':
        text += "\\u0026";
        break;
      default:
        text += c;
    }
  }
  return text;
}

std::string section_element(const std::string& id, const std::string& heading,
                            const std::string& inside) {
  if (inside.empty()) return {};
  return "<section aria-labelledby=\"" + id + "-heading\">\n<h2 id=\"" + id + "-heading\">" +
         escaped(heading) + "</h2>\n" + inside + "</section>\n";
}

std::string paragraph_element(const std::string& text, const std::string& of_class) {
  if (text.empty()) return {};
  return "<p" + (of_class.empty() ? "" : " class=\"" + of_class + "\"") + ">" + shown(text) +
         "</p>\n";
}

std::string list_element(const std::vector<std::string>& lines) {
  if (lines.empty()) return {};
  std::string html = "<ul>\n";
  for (const std::string& line : lines) html += "<li>" + shown(line) + "</li>\n";
  return html + "</ul>\n";
}

std::string lines_element(const std::vector<NamedLine>& lines) {
  if (lines.empty()) return {};
  std::string html = "<dl>\n";
  for (const NamedLine& line : lines) {
    html += "<div><dt>" + shown(line.name) + "</dt><dd>" + shown(line.text) + "</dd></div>\n";
  }
  return html + "</dl>\n";
}

std::string table_element(const std::string& caption, const Table& table) {
  if (table.rows.empty()) return {};
  const std::vector<std::size_t> used = columns_in_use(table);
  const std::string label = escaped(caption);
  std::string html = "<div class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"" + label +
                     "\">\n" + "<table><caption>" + label + "</caption>\n" +
                     heading_row(table, used) + "<tbody>\n";
  for (const auto& row : table.rows) {
    html += "<tr>";
    for (const std::size_t c : used) {
      const bool first = c == used.front();
      html += (first ? "<th scope=\"row\"" : "<td") + side_of(table.columns[c]) + ">";
      html += row[c].empty() ? "–" : shown(row[c]);
      html += first ? "</th>" : "</td>";
    }
    html += "</tr>\n";
  }
  return html + "</tbody></table></div>\n";
}

}  // namespace starwaist::report
