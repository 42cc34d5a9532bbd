#include "core/clock.h"

#include <chrono>
#include <cmath>
#include <cstdio>

#include "starwaist/numbers.h"

namespace starwaist::core {

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

struct DayTime {
  int hour = 0;
  int minute = 0;
  int second = 0;
  std::string decimals;
  int offset_minutes = 0;  // local time less UTC
};

// Z, +hh, +hhmm, +hh:mm or nothing.
bool scan_offset(Scanner& scan, DayTime& time) {
  const bool east = scan.letter('+');
  if (!east && !scan.letter('-')) {
    scan.letter('Z');
    return true;
  }
  const auto hours = scan.digits(2);
  if (!hours || *hours > 14) return false;
  scan.letter(':');
  const auto minutes = scan.done() ? std::optional<int>(0) : scan.digits(2);
  if (!minutes || *minutes > 59) return false;
  time.offset_minutes = (east ? 1 : -1) * (60 * *hours + *minutes);
  return true;
}

std::optional<DayTime> scan_day_time(Scanner& scan) {
  DayTime time;
  const auto hour = scan.digits(2);
  if (!hour || *hour > 23) return std::nullopt;
  time.hour = *hour;
  if (scan.done()) return time;
  if (!scan.letter(':')) return std::nullopt;
  const auto minute = scan.digits(2);
  if (!minute || *minute > 59) return std::nullopt;
  time.minute = *minute;
  if (scan.letter(':')) {
    const auto second = scan.digits(2);
    if (!second || *second > 60) return std::nullopt;  // 60: a leap second
    time.second = *second;
    time.decimals = scan.decimals();
  }
  if (!scan_offset(scan, time) || !scan.done()) return std::nullopt;
  return time;
}

// A time with its offset taken off.
struct UtcTime {
  sys_days date;
  int minutes = 0;  // since midnight
  int second = 0;
  std::string decimals;
};

std::optional<UtcTime> scan_utc(std::string_view given) {
  const std::string_view text = trimmed(given);
  Scanner scan(text);
  const auto date = scan_date(scan, text);
  if (!date || !(scan.letter('T') || scan.letter(' '))) return std::nullopt;
  const auto time = scan_day_time(scan);
  if (!time) return std::nullopt;
  UtcTime utc{*date, 60 * time->hour + time->minute - time->offset_minutes, time->second,
              time->decimals};
  constexpr int kMinutesPerDay = 24 * 60;
  while (utc.minutes < 0) {
    utc.minutes += kMinutesPerDay;
    utc.date -= std::chrono::days(1);
  }
  while (utc.minutes >= kMinutesPerDay) {
    utc.minutes -= kMinutesPerDay;
    utc.date += std::chrono::days(1);
  }
  return utc;
}

}  // namespace

std::optional<std::string> utc_text(std::string_view text) {
  const auto utc = scan_utc(text);
  if (!utc) return std::nullopt;
  const year_month_day date = utc->date;
  char buffer[64];
  std::snprintf(buffer, sizeof buffer, "%04d-%02u-%02uT%02d:%02d:%02d", int(date.year()),
                unsigned(date.month()), unsigned(date.day()), utc->minutes / 60, utc->minutes % 60,
                utc->second);
  return buffer + utc->decimals;
}

std::optional<double> parse_utc(std::string_view text) {
  const auto utc = scan_utc(text);
  if (!utc) return std::nullopt;
  const auto seconds = parse_number(std::to_string(utc->second) + utc->decimals);
  return 86400.0 * static_cast<double>(utc->date.time_since_epoch().count()) + 60.0 * utc->minutes +
         *seconds;
}

std::string format_utc(double seconds) {
  const auto milliseconds = static_cast<long long>(std::llround(seconds * 1000));
  const std::chrono::sys_time<std::chrono::milliseconds> time{
      std::chrono::milliseconds(milliseconds)};
  const auto midnight = std::chrono::floor<std::chrono::days>(time);
  const std::chrono::year_month_day day(midnight);
  const auto rest = static_cast<long long>((time - midnight).count());
  char buffer[40];
  std::snprintf(buffer, sizeof buffer, "%04d-%02u-%02uT%02d:%02d:%02d.%03d",
                static_cast<int>(day.year()), static_cast<unsigned>(day.month()),
                static_cast<unsigned>(day.day()), static_cast<int>(rest / 3600000 % 24),
                static_cast<int>(rest / 60000 % 60), static_cast<int>(rest / 1000 % 60),
                static_cast<int>(rest % 1000));
  return buffer;
}

}  // namespace starwaist::core
