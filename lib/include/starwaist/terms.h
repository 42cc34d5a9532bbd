// Terms that several modules share, as types. Their names in JSON and text are enum_name's.
//
// Module: core. Includes nothing of the project.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace starwaist {

enum class Verdict { trusted, doubtful, unusable };
std::string enum_name(Verdict verdict);

enum class SizeMeasure { hfr, fwhm };  // half-flux radius, full width at half maximum
std::string enum_name(SizeMeasure size);

enum class Direction { outward, inward };  // towards larger, smaller positions
std::string enum_name(Direction direction);

// The value that enum_name gives this name; absent where none has it. Values count from 0 on, and
// enum_name has no name for the one behind the last.
template <class Enum>
std::optional<Enum> enum_from_name(std::string_view name) {
  for (int i = 0;; ++i) {
    const auto value = static_cast<Enum>(i);
    const std::string its_name = enum_name(value);
    if (its_name.empty()) return std::nullopt;
    if (its_name == name) return value;
  }
}

}  // namespace starwaist
