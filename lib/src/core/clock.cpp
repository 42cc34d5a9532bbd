#include "core/clock.h"

#include <chrono>
#include <cmath>
#include <cstdio>

#include "starwaist/numbers.h"

namespace starwaist::core {

std::optional<double> parse_utc(const std::string& text) {
  constexpr std::size_t kShortest = 19;
  if (text.size() < kShortest || text[4] != '-' || text[7] != '-' || text[10] != 'T' ||
      text[13] != ':' || text[16] != ':') {
    return std::nullopt;
  }
  for (const std::size_t i : {0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18}) {
    if (text[i] < '0' || text[i] > '9') return std::nullopt;
  }
  const auto number = [&](std::size_t from, std::size_t length) {
    return static_cast<int>(*parse_number(text.substr(from, length)));
  };
  const std::chrono::year_month_day day{std::chrono::year(number(0, 4)),
                                        std::chrono::month(static_cast<unsigned>(number(5, 2))),
                                        std::chrono::day(static_cast<unsigned>(number(8, 2)))};
  const auto second = parse_number(text.substr(17));
  if (!day.ok() || !second || !(*second < 60) || number(11, 2) > 23 || number(14, 2) > 59) {
    return std::nullopt;
  }
  const auto days = std::chrono::sys_days(day).time_since_epoch().count();
  return 86400.0 * static_cast<double>(days) + 3600.0 * number(11, 2) + 60.0 * number(14, 2) +
         *second;
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
