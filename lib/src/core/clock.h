// Times as text, without the system's clock or time zone. All that reads a time (headers, tables,
// manifests, histories, answers) reads it here.
//
// Private header of module core.
//
// A time is a date, T or a blank, a time of day and perhaps an offset:
//   date         2027-02-03 (ISO 8601), or 03/02/97 (FITS standard 4.0, appendix on the years 19YY)
//   time of day  20, 20:11, 20:11:05 or 20:11:05.25; second 60 is a leap second
//   offset       none or Z: the time is UTC. +01, +0100 or +01:00, not behind a bare hour: taken
//   off
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace starwaist::core {

// The time in the one form that is kept: "2027-02-03T20:11:05", with the text's own decimals.
std::optional<std::string> utc_text(std::string_view text);

// Seconds since 1970-01-01T00:00:00.
std::optional<double> parse_utc(std::string_view text);

// The reverse, with milliseconds: "2027-02-03T20:11:05.000".
std::string format_utc(double seconds);

}  // namespace starwaist::core
