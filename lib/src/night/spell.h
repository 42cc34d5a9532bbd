// Frames that one cause spoiled, and the words for it.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "night/findings.h"

namespace starwaist::night {

struct Spell {
  std::string cause;
  std::vector<std::size_t> frames;  // in order; one at least
  std::vector<double> share_lost;   // of each one's exposure, by this cause
  bool focus_lost = false;          // a refocus would have helped
  std::vector<std::string> also;    // causes that explain it nearly as well
  std::string words;
};

inline constexpr std::size_t kSpellGap = 2;  // frames that do not end a spell

// Frames of the mask that follow each other, gaps of at most `gap` frames closed.
std::vector<std::vector<std::size_t>> runs_of(const std::vector<bool>& mask, std::size_t gap);

// "From 21:40 to 22:05"
std::string from_to_words(const TakenFrames& taken, const std::vector<std::size_t>& frames);

// "31 %" of a growth of ln size.
std::string percent_words(double ln_growth);

// Stages, each of one kind of cause. In: the findings. Out: the spells in which it shows.
std::vector<Spell> drift_spells(const Findings& found);
std::vector<Spell> step_spells(const Findings& found);
std::vector<Spell> cloud_spells(const Findings& found);
std::vector<Spell> fog_spells(const Findings& found);
std::vector<Spell> motion_spells(const Findings& found);
std::vector<Spell> seeing_spells(const Findings& found);
std::vector<Spell> sky_spells(const Findings& found);

}  // namespace starwaist::night
