// The headings that columns of tables usually have.
//
// Private header of module intake.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace starwaist::intake_detail {

// A heading as it is compared: lower case, letters and digits alone, a unit at its end left out.
// "Focuser Position [steps]" is "focuserposition", "hfr_px" is "hfr".
std::string compact_heading(std::string_view heading);

// The compact headings under which a documented column is found, the likeliest first.
const std::vector<std::string>& usual_headings(const std::string& column);

// True where some documented column is found under it.
bool is_usual_heading(std::string_view heading);

}  // namespace starwaist::intake_detail
