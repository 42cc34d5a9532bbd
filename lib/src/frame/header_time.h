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
// DATE-BEG; MJD-OBS; MJD-BEG. Times in the forms of core/clock.h; malformed ones are passed over.
std::optional<HeaderTime> exposure_start(const Header& header);

// A moment as date and time, or as a modified Julian date between 1900 and 2100: for a keyword that
// the user names.
std::optional<std::string> moment_text(std::string_view value);

}  // namespace starwaist::frame_detail
