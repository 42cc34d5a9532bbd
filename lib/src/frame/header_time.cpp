#include "frame/header_time.h"

#include <cmath>
#include <string_view>

#include "core/clock.h"
#include "frame/header_facts.h"
#include "starwaist/numbers.h"

namespace starwaist::frame_detail {

namespace {

// Modified Julian date to the millisecond (a double holds some 1e-6 s).
std::optional<std::string> modified_julian_date(std::string_view text) {
  constexpr double kFirst = 15020;   // 1900-01-01; zeros and such are no dates
  constexpr double kLast = 88069;    // 2100-01-01
  constexpr double kOf1970 = 40587;  // 1970-01-01
  constexpr double kSecondsPerDay = 86400;
  const auto value = parse_number(text);
  if (!value || *value < kFirst || *value > kLast) return std::nullopt;
  const double day = std::floor(*value);
  const double ms = std::round((*value - day) * 1000 * kSecondsPerDay);
  return core::format_utc((day - kOf1970) * kSecondsPerDay + ms / 1000);
}

}  // namespace

std::optional<std::string> moment_text(std::string_view value) {
  if (auto iso = core::utc_text(value)) return iso;
  return modified_julian_date(value);
}

std::optional<HeaderTime> exposure_start(const Header& header) {
  const Card* date = header.find("DATE-OBS");
  if (date != nullptr) {
    if (auto iso = core::utc_text(date->value)) return HeaderTime{std::move(*iso), "DATE-OBS"};
    for (const char* name : {"TIME-OBS", "UT-OBS", "UTSTART", "UT", "UTC"}) {
      const Card* time = header.find(name);
      if (time == nullptr) continue;
      if (auto iso = core::utc_text(date->value + "T" + time->value)) {
        return HeaderTime{std::move(*iso), std::string("DATE-OBS + ") + name};
      }
    }
  }
  if (const Card* begin = header.find("DATE-BEG")) {
    if (auto iso = core::utc_text(begin->value)) return HeaderTime{std::move(*iso), "DATE-BEG"};
  }
  for (const char* name : {"MJD-OBS", "MJD-BEG"}) {
    const Card* mjd = header.find(name);
    if (mjd == nullptr) continue;
    if (auto iso = modified_julian_date(mjd->value)) return HeaderTime{std::move(*iso), name};
  }
  return std::nullopt;
}

}  // namespace starwaist::frame_detail
