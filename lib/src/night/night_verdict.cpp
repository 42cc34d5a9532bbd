#include "night/night_verdict.h"

#include <algorithm>

#include "starwaist/codes.h"

namespace starwaist::night {
namespace {

using Reasons = std::vector<Statement>;

void add_missing_data(const Findings& found, Reasons& reasons) {
  const std::size_t count = found.taken.size();
  const auto unknown = [](const auto& values) {
    return static_cast<std::size_t>(
        std::count_if(values.begin(), values.end(), [](const auto& v) { return !v; }));
  };
  const std::size_t without = unknown(found.taken.growth);
  const std::size_t dark = unknown(found.light.lost_mag);
  const std::size_t used = found.focus.used.frame.size();
  if (used < NightRules::kTrustedFrames) {
    reasons.push_back(
        {codes::few_frames_with_size, "only " + std::to_string(used) +
                                          " frames tell their size: with fewer than " +
                                          std::to_string(NightRules::kTrustedFrames) +
                                          " seeing and focus can hardly be told apart"});
  }
  if (!found.taken.times_known) {
    reasons.push_back(
        {codes::times_missing,
         "not all frames say when they were taken: they count in the order of their names, and "
         "nothing is said about time"});
  }
  if (3 * without > count) {
    reasons.push_back({codes::many_frames_without_stars,
                       std::to_string(without) + " of " + std::to_string(count) +
                           " frames have no star that could be measured"});
  }
  if (2 * dark > count) {
    reasons.push_back(
        {codes::stars_not_followed,
         "in " + std::to_string(dark) + " of " + std::to_string(count) +
             " frames the same stars could not be followed: cloud and dew could not be "
             "looked for"});
  }
}

// The first period that another cause explains nearly as well.
void add_rival(std::span<const NightPeriod> periods, Reasons& reasons) {
  for (const NightPeriod& period : periods) {
    const auto also = [&](const char* cause) {
      const auto& names = period.also_possible;
      return std::find(names.begin(), names.end(), cause) != names.end();
    };
    const std::string from = period.from_utc.value_or(period.from_file);
    if (also("bad_seeing")) {
      reasons.push_back(
          {codes::focus_or_seeing, "lost focus from " + from + " on could also be slow seeing"});
      return;
    }
    if (also("fogging")) {
      reasons.push_back({codes::cloud_or_dew, "whether cloud or dew took the light from " + from +
                                                  " on cannot be told"});
      return;
    }
  }
}

}  // namespace

std::vector<Statement> reasons_against(const Findings& found,
                                       std::span<const NightPeriod> periods) {
  Reasons reasons;
  add_missing_data(found, reasons);
  add_rival(periods, reasons);
  return reasons;
}

std::vector<Statement> make_notes(const Findings& found) {
  std::vector<Statement> notes;
  if (!found.focus.stretches.known) {
    notes.push_back(
        {codes::positions_missing,
         "The frames do not say where the focuser stood: when it was refocused is not known."});
  } else if (found.focus.stretches.follows) {
    notes.push_back(
        {codes::focuser_follows,
         "The focuser moved at nearly every frame, as when it follows the temperature: small moves "
         "are not taken for a refocus."});
  }
  const auto& unseen = found.focus.stretches.unseen;
  if (found.focus.stretches.known && !unseen.empty()) {
    notes.push_back(
        {codes::position_stale,
         "At " + time_words(found.taken, unseen.front()) +
             " the stars became smaller at once, and the focuser's position in the headers stayed "
             "as it was: focus was set by hand, or the keyword is not renewed. Check what the "
             "capture program writes."});
  }
  if (found.focus.used.sizes.temperature_c.empty()) {
    notes.push_back(
        {codes::temperatures_missing, "Temperatures are not known, so no rule by temperature."});
  }
  return notes;
}

}  // namespace starwaist::night
