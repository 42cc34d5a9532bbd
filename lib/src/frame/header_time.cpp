#include "frame/header_time.h"

#include <chrono>
#include <cmath>
#include <cstdio>
#include <string_view>

#include "frame/header_facts.h"
#include "starwaist/numbers.h"

namespace starwaist::frame_detail {

namespace {

using std::chrono::day;
using std::chrono::month;
using std::chrono::sys_days;
using std::chrono::year;
using std::chrono::year_month_day;

// Reads text from left to right; a step that does not fit leaves the text where it is.
class Scanner {
 public:
  explicit Scanner(std::string_view text) : rest_(text) {}

  // Exactly `digits` decimal digits.
  std::optional<int> digits(std::size_t count) {
    if (rest_.size() < count) return std::nullopt;
    int value = 0;
    for (std::size_t i = 0; i < count; ++i) {
      if (rest_[i] < '0' || rest_[i] > '9') return std::nullopt;
      value = 10 * value + (rest_[i] - '0');
    }
    rest_.remove_prefix(count);
    return value;
  }

  bool letter(char wanted) {
    if (rest_.empty() || rest_.front() != wanted) return false;
    rest_.remove_prefix(1);
    return true;
  }

  // "." and digits, or nothing.
  std::string decimals() {
    std::size_t end = 0;
    if (!rest_.empty() && rest_.front() == '.') {
      end = 1;
      while (end < rest_.size() && rest_[end] >= '0' && rest_[end] <= '9') ++end;
    }
    std::string text(rest_.substr(0, end));
    rest_.remove_prefix(end);
    return text.size() > 1 ? text : std::string();
  }

  [[nodiscard]] bool done() const { return rest_.empty(); }

 private:
  std::string_view rest_;
};

std::optional<year_month_day> scan_date(Scanner& scan, std::string_view text) {
  const bool iso = text.size() >= 5 && text[4] == '-';
  std::optional<int> year_number;
  std::optional<int> month_number;
  std::optional<int> day_number;
  if (iso) {
    year_number = scan.digits(4);
    if (!scan.letter('-')) return std::nullopt;
    month_number = scan.digits(2);
    if (!scan.letter('-')) return std::nullopt;
    day_number = scan.digits(2);
  } else {
    day_number = scan.digits(2);
    if (!scan.letter('/')) return std::nullopt;
    month_number = scan.digits(2);
    if (!scan.letter('/')) return std::nullopt;
    year_number = scan.digits(2);
    if (year_number) *year_number += 1900;
  }
  if (!year_number || !month_number || !day_number) return std::nullopt;
  const year_month_day date{year(*year_number), month(static_cast<unsigned>(*month_number)),
                            day(static_cast<unsigned>(*day_number))};
  if (!date.ok()) return std::nullopt;
  return date;
}

struct ClockTime {
  int hour = 0;
  int minute = 0;
  int second = 0;
  std::string decimals;
  int offset_minutes = 0;  // local time less UTC
};

// hh:mm[:ss[.fff]] and Z, +hh, +hhmm or +hh:mm.
std::optional<ClockTime> scan_clock(Scanner& scan) {
  ClockTime time;
  const auto hour = scan.digits(2);
  if (!hour || *hour > 23 || !scan.letter(':')) return std::nullopt;
  const auto minute = scan.digits(2);
  if (!minute || *minute > 59) return std::nullopt;
  time.hour = *hour;
  time.minute = *minute;
  if (scan.letter(':')) {
    const auto second = scan.digits(2);
    if (!second || *second > 60) return std::nullopt;  // 60: a leap second
    time.second = *second;
    time.decimals = scan.decimals();
  }
  const bool east = scan.letter('+');
  if (east || scan.letter('-')) {
    const auto hours = scan.digits(2);
    if (!hours || *hours > 14) return std::nullopt;
    scan.letter(':');
    const auto minutes = scan.done() ? std::optional<int>(0) : scan.digits(2);
    if (!minutes || *minutes > 59) return std::nullopt;
    time.offset_minutes = (east ? 1 : -1) * (60 * *hours + *minutes);
  } else {
    scan.letter('Z');
  }
  if (!scan.done()) return std::nullopt;
  return time;
}

std::string iso_text(year_month_day date, const ClockTime& time) {
  int minutes = 60 * time.hour + time.minute - time.offset_minutes;
  sys_days days = date;
  constexpr int kMinutesPerDay = 24 * 60;
  while (minutes < 0) {
    minutes += kMinutesPerDay;
    days -= std::chrono::days(1);
  }
  while (minutes >= kMinutesPerDay) {
    minutes -= kMinutesPerDay;
    days += std::chrono::days(1);
  }
  const year_month_day shifted = days;
  char text[64];
  std::snprintf(text, sizeof text, "%04d-%02u-%02uT%02d:%02d:%02d", int(shifted.year()),
                unsigned(shifted.month()), unsigned(shifted.day()), minutes / 60, minutes % 60,
                time.second);
  return text + time.decimals;
}

std::optional<std::string> date_plus_time(std::string_view date_text, std::string_view time_text) {
  Scanner date_scan(date_text);
  const auto date = scan_date(date_scan, date_text);
  if (!date || !date_scan.done()) return std::nullopt;
  Scanner time_scan(time_text);
  const auto time = scan_clock(time_scan);
  if (!time) return std::nullopt;
  return iso_text(*date, *time);
}

// Modified Julian date to the millisecond (a double holds some 1e-6 s).
std::optional<std::string> modified_julian_date(std::string_view text) {
  constexpr double kFirst = 15020;  // 1900-01-01; zeros and such are no dates
  constexpr double kLast = 88069;   // 2100-01-01
  constexpr long long kMsPerDay = 86400000;
  const auto value = parse_number(text);
  if (!value || *value < kFirst || *value > kLast) return std::nullopt;
  const double whole = std::floor(*value);
  long long ms = std::llround((*value - whole) * static_cast<double>(kMsPerDay));
  // MJD 0 is 1858-11-17.
  sys_days days = sys_days(year(1858) / 11 / 17) + std::chrono::days(static_cast<int>(whole));
  if (ms == kMsPerDay) {
    ms = 0;
    days += std::chrono::days(1);
  }
  ClockTime time;
  time.hour = static_cast<int>(ms / 3600000);
  time.minute = static_cast<int>(ms / 60000 % 60);
  time.second = static_cast<int>(ms / 1000 % 60);
  char decimals[8];
  std::snprintf(decimals, sizeof decimals, ".%03d", static_cast<int>(ms % 1000));
  time.decimals = decimals;
  return iso_text(days, time);
}

}  // namespace

std::optional<std::string> date_and_time(std::string_view text) {
  Scanner scan(text);
  const auto date = scan_date(scan, text);
  if (!date || !(scan.letter('T') || scan.letter(' '))) return std::nullopt;
  const auto time = scan_clock(scan);
  if (!time) return std::nullopt;
  return iso_text(*date, *time);
}

std::optional<HeaderTime> exposure_start(const Header& header) {
  const Card* date = header.find("DATE-OBS");
  if (date != nullptr) {
    if (auto iso = date_and_time(date->value)) return HeaderTime{std::move(*iso), "DATE-OBS"};
    for (const char* name : {"TIME-OBS", "UT-OBS", "UTSTART", "UT", "UTC"}) {
      const Card* time = header.find(name);
      if (time == nullptr) continue;
      if (auto iso = date_plus_time(date->value, time->value)) {
        return HeaderTime{std::move(*iso), std::string("DATE-OBS + ") + name};
      }
    }
  }
  if (const Card* begin = header.find("DATE-BEG")) {
    if (auto iso = date_and_time(begin->value)) return HeaderTime{std::move(*iso), "DATE-BEG"};
  }
  for (const char* name : {"MJD-OBS", "MJD-BEG"}) {
    const Card* mjd = header.find(name);
    if (mjd == nullptr) continue;
    if (auto iso = modified_julian_date(mjd->value)) return HeaderTime{std::move(*iso), name};
  }
  return std::nullopt;
}

}  // namespace starwaist::frame_detail
