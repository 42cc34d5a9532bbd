// Text made safe for HTML and SVG, and the parts that a page is put together from.
//
// Private header of module report.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "core/encode.h"
#include "report/answer_text.h"

namespace starwaist::report {

// & < > " ' as entities: safe between tags and in a quoted attribute.
std::string escaped(std::string_view text);

// The same of what a file or header says: made printable before.
std::string shown(std::string_view text);

// Standard alphabet, padded (RFC 4648, section 4).
std::string base64(std::string_view bytes);

// JSON for a script element: ASCII alone, and no < > & that could end the element or begin another.
std::string script_json(const encoding::Json& json);

// A section under its heading; nothing where nothing is inside, which is markup.
std::string section_element(const std::string& id, const std::string& heading,
                            const std::string& inside);

// Elements; what they hold is text.
std::string paragraph_element(const std::string& text, const std::string& of_class = {});
std::string list_element(const std::vector<std::string>& lines);
std::string lines_element(const std::vector<NamedLine>& lines);

// The table with its caption in a frame of its own that can be scrolled sideways, by keys too. A
// column whose cells are all empty is left out, a missing value is a dash. The first column is the
// rows' heading.
std::string table_element(const std::string& caption, const Table& table);

}  // namespace starwaist::report
