// The focuser's position in a file's name.
//
// Private header of module frame.
#pragma once

#include <optional>
#include <string>

#include "starwaist/error.h"

namespace starwaist::frame_detail {

// What the pattern's first group holds, where that is a number. Errors: as check_name_pattern.
Result<std::optional<double>> position_in_name(const std::string& pattern,
                                               const std::string& file_name);

}  // namespace starwaist::frame_detail
