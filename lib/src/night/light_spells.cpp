// Spells that show in the stars' light or in the sky's: cloud, fog, a brighter sky.
#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "night/spell.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist::night {
namespace {

// ln of the sky's light over the usual one; absent where it is not known.
std::vector<std::optional<double>> sky_brightness(std::span<const NightFrame> frames) {
  // Frames compare within a group and an exposure time.
  const auto kind = [&](std::size_t i) {
    return std::pair(frames[i].group, frames[i].exposure_s.value_or(0));
  };
  std::map<std::pair<int, double>, std::vector<double>> by_kind;
  std::vector<std::optional<double>> sky(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const auto& noise = frames[i].sky_noise_adu;
    if (!noise || !(*noise > 0)) continue;
    sky[i] = 2 * std::log(*noise);  // the noise squared goes as the light
    by_kind[kind(i)].push_back(*sky[i]);
  }
  constexpr double kUsual = 0.25;  // quantile
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (sky[i]) *sky[i] -= sample_quantile(by_kind[kind(i)], kUsual);
  }
  return sky;
}

}  // namespace

std::vector<Spell> cloud_spells(const Findings& found) {
  std::vector<Spell> spells;
  const LightLoss& light = found.light;
  for (const auto& frames : runs_of(light.cloud, kSpellGap)) {
    Spell spell;
    spell.cause = "passing_cloud";
    spell.frames = frames;
    double most = 0;
    for (const std::size_t i : frames) {
      const double lost_mag = light.lost_mag[i].value_or(0);
      most = std::max(most, lost_mag);
      spell.share_lost.push_back(1 - std::pow(10, -0.8 * lost_mag));
    }
    spell.words = from_to_words(found.taken, frames) + " the stars lost up to " +
                  format_fixed(100 * (1 - std::pow(10, -0.4 * most)), 0) +
                  " % of their light: cloud or haze. Focus is not to blame.";
    if (light.fog_or_cloud && found.taken.time_s[frames.back()] >= light.seconds_tied_from &&
        frames.back() + 3 >= found.taken.size()) {
      spell.also.emplace_back("fogging");
      spell.words += " The light did not come back: dew may be behind it. Look at the optics.";
    }
    spells.push_back(std::move(spell));
  }
  return spells;
}

std::vector<Spell> fog_spells(const Findings& found) {
  std::vector<Spell> spells;
  const LightLoss& light = found.light;
  // Fog does not come back: all its frames are one spell.
  for (const auto& frames : runs_of(light.fog, light.fog.size())) {
    Spell spell;
    spell.cause = "fogging";
    spell.frames = frames;
    for (const std::size_t i : frames) {
      spell.share_lost.push_back(1 - std::pow(10, -0.8 * light.lost_mag[i].value_or(0)) *
                                         std::exp(-2 * found.sizes.loss[i].value_or(0)));
    }
    const double most = light.lost_mag[frames.back()].value_or(0);
    spell.words = "From " + time_words(found.taken, frames.front()) +
                  " on the stars faded steadily and grew, down to " +
                  format_fixed(100 * std::pow(10, -0.4 * most), 0) +
                  " % of their light: dew or frost on the optics. Refocusing does not help; warm "
                  "the optics gently.";
    spells.push_back(std::move(spell));
  }
  return spells;
}

std::vector<Spell> sky_spells(const Findings& found) {
  std::vector<Spell> spells;
  const auto sky = sky_brightness(found.taken.frames);
  std::vector<bool> bright(sky.size());
  for (std::size_t i = 0; i < sky.size(); ++i) {
    bright[i] = sky[i].value_or(0) > std::log(NightRules::kSkyFactor) && !found.light.cloud[i];
  }
  for (const auto& frames : runs_of(bright, kSpellGap)) {
    if (frames.size() < 2) continue;
    Spell spell;
    spell.cause = "background_change";
    spell.frames = frames;
    double most = 0;
    for (const std::size_t i : frames) {
      most = std::max(most, *sky[i]);
      spell.share_lost.push_back(1 - std::exp(-*sky[i]));
    }
    spell.words = from_to_words(found.taken, frames) + " the sky was up to " +
                  format_fixed(std::exp(most), 1) +
                  " times as bright: moon, twilight or a lamp. Focus is not to blame.";
    spells.push_back(std::move(spell));
  }
  return spells;
}

}  // namespace starwaist::night
