// Spells that show in the stars' shapes and sizes but are not focus: motion and bad seeing.
#include <algorithm>
#include <cmath>

#include "night/spell.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

// Frames larger than seeing usually makes them: of three in a row the middle one.
std::vector<bool> badly_seen(const Findings& found) {
  std::vector<std::size_t> with;
  std::vector<double> seen;
  for (std::size_t i = 0; i < found.taken.size(); ++i) {
    if (!found.focus.seen[i] || found.moved[i] || found.light.fog[i]) continue;
    with.push_back(i);
    seen.push_back(*found.focus.seen[i] - found.sizes.typical);
  }
  const double limit = std::max(NightRules::kBadSeeing, 4 * found.sizes.scatter);
  std::vector<bool> bad(found.taken.size());
  for (std::size_t k = 1; k + 1 < with.size(); ++k) {
    if (median(std::span(seen).subspan(k - 1, 3)) <= limit) continue;
    for (std::size_t j = k - 1; j <= k + 1; ++j) {
      if (seen[j] > 0.5 * limit) bad[with[j]] = true;
    }
  }
  return bad;
}

}  // namespace

std::vector<Spell> motion_spells(const Findings& found) {
  std::vector<bool> moved(found.taken.size());
  for (std::size_t i = 0; i < moved.size(); ++i) moved[i] = found.moved[i].has_value();
  std::vector<Spell> spells;
  for (const auto& frames : runs_of(moved, kSpellGap)) {
    Spell spell;
    spell.cause = "image_motion";
    spell.frames = frames;
    for (const std::size_t i : frames) {
      spell.share_lost.push_back(1 - std::exp(-2 * found.moved[i].value_or(0)));
    }
    spell.words = (frames.size() == 1 ? "At " + time_words(found.taken, frames.front())
                                      : from_to_words(found.taken, frames)) +
                  " the stars are drawn out, all the same way: tracking, wind or a bump. Focus is "
                  "not to blame.";
    spells.push_back(std::move(spell));
  }
  return spells;
}

std::vector<Spell> seeing_spells(const Findings& found) {
  std::vector<Spell> spells;
  for (const auto& frames : runs_of(badly_seen(found), kSpellGap)) {
    Spell spell;
    spell.cause = "bad_seeing";
    spell.frames = frames;
    double most = 0;
    for (const std::size_t i : frames) {
      const double grown = *found.focus.seen[i] - found.sizes.typical;
      most = std::max(most, grown);
      spell.share_lost.push_back(1 - std::exp(-2 * std::max(grown, 0.0)));
    }
    spell.words = from_to_words(found.taken, frames) + " stars were up to " + percent_words(most) +
                  " larger than usual and came back by themselves: unsteady air.";
    spells.push_back(std::move(spell));
  }
  return spells;
}

}  // namespace starwaist::night
