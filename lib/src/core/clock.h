// Times as ISO 8601 text, without the system's clock or time zone.
//
// Private header of module core.
#pragma once

#include <optional>
#include <string>

namespace starwaist::core {

// Seconds since 1970-01-01T00:00:00 of "2027-02-03T20:11:05" (decimals of the second allowed, no
// zone); absent where the text is no such time.
std::optional<double> parse_utc(const std::string& text);

// The reverse, with milliseconds: "2027-02-03T20:11:05.000".
std::string format_utc(double seconds);

}  // namespace starwaist::core
