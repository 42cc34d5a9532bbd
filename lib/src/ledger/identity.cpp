#include "ledger/identity.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cstdint>
#include <utility>
#include <vector>

namespace starwaist::ledger {

namespace {

// FNV-1a (Fowler, Noll, Vo; offset basis and prime from memory), twice with different starts: 128
// bits, against accidents, not against forgers.
std::string hashed(const std::string& text) {
  std::string digits;
  for (const std::uint64_t start : {14695981039346656037ULL, 1099511628211ULL}) {
    std::uint64_t hash = start;
    for (const char c : text) {
      hash ^= static_cast<unsigned char>(c);
      hash *= 1099511628211ULL;
    }
    // FNV's high bits are weak for short texts: one more mixing (splitmix64's last step).
    hash = (hash ^ (hash >> 30U)) * 0xBF58476D1CE4E5B9ULL;
    hash = (hash ^ (hash >> 27U)) * 0x94D049BB133111EBULL;
    hash ^= hash >> 31U;
    constexpr const char* kHex = "0123456789abcdef";
    for (int shift = 60; shift >= 0; shift -= 4) digits += kHex[(hash >> shift) & 15U];
  }
  return digits;
}

std::string rounded(double value, int significant) {
  if (value == 0) value = 0;  // no negative zero
  std::array<char, 40> buffer{};
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                 std::chars_format::general, significant);
  return {buffer.data(), end.ptr};
}

std::string rounded(const std::optional<double>& value, int significant) {
  return value ? rounded(*value, significant) : std::string("?");
}

}  // namespace

bool has_sizes(const LedgerRun& run) {
  return std::any_of(run.points.begin(), run.points.end(),
                     [](const LedgerPoint& point) { return point.size_px.has_value(); });
}

std::string run_summary(const LedgerRun& run) {
  constexpr int kDigits = 9;
  return hashed("summary\x1f" + run.time_utc.value_or("?") + "\x1f" + run.filter.value_or("?") +
                "\x1f" + rounded(run.temperature_c, kDigits) + "\x1f" +
                rounded(run.altitude_deg, kDigits) + "\x1f" +
                rounded(run.best_focus_steps, kDigits));
}

std::string run_identity(const LedgerRun& run) {
  if (!has_sizes(run)) return run_summary(run);
  std::vector<std::pair<double, double>> sizes;
  for (const auto& point : run.points) {
    if (point.size_px) sizes.emplace_back(point.position_steps, *point.size_px);
  }
  std::sort(sizes.begin(), sizes.end());
  std::string text = "points";
  constexpr int kPositionDigits = 10;
  constexpr int kSizeDigits = 6;
  for (const auto& [position, size] : sizes) {
    text += "\x1f" + rounded(position, kPositionDigits) + "\x1e" + rounded(size, kSizeDigits);
  }
  return hashed(text);
}

std::string Repeats::identity_of(const LedgerRun& run) {
  std::string identity = run_identity(run);
  if (has_sizes(run) || run.time_utc) return identity;
  const int before = seen_[identity]++;
  return before > 0 ? identity + "#" + std::to_string(before) : identity;
}

std::string without_repeat(const std::string& identity) {
  return identity.substr(0, identity.find('#'));
}

std::string measurement_identity(const LedgerMeasurement& m) {
  constexpr int kDigits = 6;
  return hashed("measurement\x1f" + m.rig + "\x1f" + m.file + "\x1f" + m.time_utc.value_or("?") +
                "\x1f" + rounded(m.hfr_px, kDigits));
}

}  // namespace starwaist::ledger
