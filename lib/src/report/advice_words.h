// Lines of the answers of plan and backlash, as in the tables of fit.
//
// Private header of module report.
#pragma once

#include <string>
#include <vector>

namespace starwaist::report {

// "name:          text", wrapped, the texts in one column.
std::string named_line(const std::string& name, const std::string& text);

// A heading and bullets; empty where there are no lines.
std::string bullet_section(const std::string& heading, const std::vector<std::string>& lines);

// Whole numbers whole, others with three significant digits: what a planned number needs.
std::string rounded(double value);

}  // namespace starwaist::report
