// The start of an exposure from the header's date and time keywords.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace starwaist::frame_detail {

class Header;

struct HeaderTime {
  std::string iso;      // "2027-02-03T20:11:05", with the header's own decimals
  std::string keyword;  // "DATE-OBS", or "DATE-OBS + TIME-OBS"
};

// Tried in order: DATE-OBS with a time in it; DATE-OBS with TIME-OBS, UT-OBS, UTSTART, UT or UTC;
// DATE-BEG; MJD-OBS; MJD-BEG. Dates are ISO 8601 or the old DD/MM/YY (FITS standard 4.0, section
// 9.5 and appendix on the years 19YY); an offset behind the time ("-0700") is taken off. Malformed
// ones are passed over.
std::optional<HeaderTime> exposure_start(const Header& header);

// "2027-02-03T20:11:05.1" in ISO 8601, a blank for the T allowed; an offset behind the time is
// taken off, as above.
std::optional<std::string> date_and_time(std::string_view text);

}  // namespace starwaist::frame_detail
