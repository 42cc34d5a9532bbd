#include "night/periods.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "core/clock.h"
#include "night/spell.h"

namespace starwaist::night {
namespace {

// Where two causes cost a frame the same, the earlier one here is its cause.
std::vector<Spell> all_spells(const Findings& found) {
  std::vector<Spell> spells;
  for (const auto find : {drift_spells, step_spells, cloud_spells, fog_spells, motion_spells,
                          seeing_spells, sky_spells}) {
    for (Spell& spell : find(found)) spells.push_back(std::move(spell));
  }
  return spells;
}

NightPeriod period_of(const Spell& spell, const Findings& found) {
  const TakenFrames& taken = found.taken;
  const std::size_t first = spell.frames.front();
  const std::size_t last = spell.frames.back();
  NightPeriod period;
  if (taken.times_known) {
    const double end = taken.time_s[last] + taken.frames[last].exposure_s.value_or(0);
    period.from_utc = core::format_utc(taken.time_s[first]).substr(0, 19);
    period.to_utc = core::format_utc(end).substr(0, 19);
  }
  period.from_file = taken.frames[first].file;
  period.to_file = taken.frames[last].file;
  period.frames = static_cast<int>(spell.frames.size());
  period.cause = spell.cause;
  period.also_possible = spell.also;
  period.focus_lost = spell.focus_lost;
  period.summary = spell.words;
  double grown = 0;
  int counted = 0;
  for (std::size_t k = 0; k < spell.frames.size(); ++k) {
    const std::size_t i = spell.frames[k];
    if (const auto loss = found.sizes.loss[i]) {
      grown += *loss;
      ++counted;
    }
    period.exposure_lost_s += taken.frames[i].exposure_s.value_or(0) * spell.share_lost[k];
  }
  if (counted > 0) period.loss_percent = 100 * std::expm1(grown / counted);
  return period;
}

}  // namespace

Periods find_periods(const Findings& found) {
  std::vector<Spell> spells = all_spells(found);
  Periods answer;
  answer.cause.resize(found.taken.size());
  std::vector<double> cost(found.taken.size(), 0.0);
  for (const Spell& spell : spells) {
    for (std::size_t k = 0; k < spell.frames.size(); ++k) {
      const std::size_t i = spell.frames[k];
      if (!(spell.share_lost[k] > cost[i])) continue;
      cost[i] = spell.share_lost[k];
      answer.cause[i] = spell.cause;
    }
  }
  std::stable_sort(spells.begin(), spells.end(), [&](const Spell& a, const Spell& b) {
    return found.taken.time_s[a.frames.front()] < found.taken.time_s[b.frames.front()];
  });
  for (const Spell& spell : spells) answer.periods.push_back(period_of(spell, found));
  return answer;
}

}  // namespace starwaist::night
