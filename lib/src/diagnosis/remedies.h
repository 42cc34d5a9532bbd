// What each remedy changes for the next run. Two findings may ask for different things of the same
// kind; then only the first one's holds.
//
// Private header of module diagnosis.
#pragma once

#include <optional>
#include <string_view>

namespace starwaist::diagnosis {

enum class Remedy { of_its_own, sweep, exposure };

// Of a code of kind remedy (codes.h); absent for any other code.
std::optional<Remedy> changed_by(std::string_view code);

}  // namespace starwaist::diagnosis
