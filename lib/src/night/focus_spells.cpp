// Spells of lost focus: drift and steps.
#include <algorithm>
#include <cmath>
#include <map>

#include "night/spell.h"
#include "starwaist/numbers.h"

namespace starwaist::night {
namespace {

// "fell by 2.1 °C"
std::string change_words(double change) {
  return (change < 0 ? "fell by " : "rose by ") + format_fixed(std::abs(change), 1) + " °C";
}

std::vector<std::string> rivals_of(const FocusDrift& drift) {
  std::vector<std::string> also;
  if (drift.odds < NightRules::kDriftOdds + NightRules::kSureOdds) also.emplace_back("bad_seeing");
  if (drift.other_odds && drift.odds - *drift.other_odds < NightRules::kTie) {
    also.emplace_back(drift.by == DriftBy::temperature ? "focus_drift" : "thermal_drift");
  }
  return also;
}

// The frames of a stretch that drift spoiled.
struct Drifted {
  std::size_t stretch = 0;
  std::size_t start = 0;            // first of the stretch, among the used ones
  std::vector<std::size_t> places;  // among the used ones
};

std::vector<Drifted> drifted_stretches(const FocusOfNight& focus) {
  std::map<std::size_t, Drifted> by_stretch;
  for (std::size_t k = 0; k < focus.used.frame.size(); ++k) {
    const std::size_t stretch = focus.used.sizes.stretch[k];
    Drifted& drifted = by_stretch.try_emplace(stretch, Drifted{stretch, k, {}}).first->second;
    if (!(focus.model.by_drift[k] < NightRules::kLost)) drifted.places.push_back(k);
  }
  std::vector<Drifted> spoiled;
  for (auto& [stretch, drifted] : by_stretch) {
    if (!drifted.places.empty()) spoiled.push_back(std::move(drifted));
  }
  return spoiled;
}

std::string drift_words(const Findings& found, const Drifted& drifted) {
  const FocusOfNight& focus = found.focus;
  const auto& by_drift = focus.model.by_drift;
  const auto& celsius = focus.used.sizes.temperature_c;
  double most = 0;
  for (const std::size_t k : drifted.places) most = std::max(most, by_drift[k]);
  const std::size_t first = focus.used.frame[drifted.places.front()];
  std::string words = "From " + time_words(found.taken, first) +
                      " on focus drifted away: stars up to " + percent_words(most) + " larger";
  if (!celsius.empty()) {
    words += ", while the temperature " +
             change_words(celsius[drifted.places.back()] - celsius[drifted.start]) + " since " +
             (drifted.stretch > 0 ? "the last refocus" : "the beginning");
  }
  words += ".";
  if (by_drift[drifted.start] >= 2 * NightRules::kLost) {
    words += drifted.stretch > 0 ? " The refocus before it had not reached focus."
                                 : " The night began out of focus.";
  }
  return words;
}

std::string step_words(const Findings& found, const FocusStep& step) {
  const auto& frame = found.focus.used.frame;
  const auto& stretch = found.focus.used.sizes.stretch;
  const std::string when = time_words(found.taken, frame[step.first]);
  const std::string larger = ": stars " + percent_words(step.height) + " larger";
  if (!step.from_refocus) {
    return "Just before " + when + " focus jumped" + larger +
           " from one frame to the next (a knock, a slipping focuser or a mirror that moved).";
  }
  const bool ends_by_itself =
      step.last + 1 < frame.size() && stretch[step.last] == stretch[step.last + 1];
  return (step.first == 0 ? "The night began out of focus"
                          : "The refocus before " + when + " missed focus") +
         larger +
         (ends_by_itself
              ? " until focus was changed before " + time_words(found.taken, frame[step.last + 1])
              : std::string()) +
         ".";
}

}  // namespace

std::vector<Spell> drift_spells(const Findings& found) {
  std::vector<Spell> spells;
  if (!found.focus.model.drift) return spells;
  const FocusDrift& drift = *found.focus.model.drift;
  const bool thermal = drift.by == DriftBy::temperature;
  const std::vector<std::string> also = rivals_of(drift);
  for (const Drifted& drifted : drifted_stretches(found.focus)) {
    Spell spell;
    spell.cause = thermal ? "thermal_drift" : "focus_drift";
    spell.also = also;
    spell.focus_lost = true;
    for (const std::size_t k : drifted.places) {
      spell.frames.push_back(found.focus.used.frame[k]);
      spell.share_lost.push_back(1 - std::exp(-2 * found.focus.model.by_drift[k]));
    }
    spell.words = drift_words(found, drifted);
    if (thermal && !also.empty() && also.back() == "focus_drift") {
      spell.words += " Time and temperature went together, so either may be behind it.";
    }
    spells.push_back(std::move(spell));
  }
  return spells;
}

std::vector<Spell> step_spells(const Findings& found) {
  std::vector<Spell> spells;
  for (const FocusStep& step : found.focus.model.steps) {
    Spell spell;
    spell.cause = step.from_refocus ? "missed_focus" : "focus_jump";
    spell.focus_lost = true;
    for (std::size_t k = step.first; k <= step.last; ++k) {
      spell.frames.push_back(found.focus.used.frame[k]);
    }
    spell.share_lost.assign(spell.frames.size(), 1 - std::exp(-2 * step.height));
    if (step.odds < step.needed_odds + NightRules::kSureOdds) spell.also.emplace_back("bad_seeing");
    spell.words = step_words(found, step);
    spells.push_back(std::move(spell));
  }
  return spells;
}

}  // namespace starwaist::night
