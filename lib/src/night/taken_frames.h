// Stage: the frames in the order taken.
//
// In: the frames as given. Out: the same frames ordered, their times, and how much larger each is
// than usual.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/night.h"

namespace starwaist::night {

struct TakenFrames {
  std::vector<NightFrame> frames;
  std::vector<std::size_t> given;  // place of each among the frames as given
  std::vector<double> time_s;      // made up from the exposures where times are not known
  bool times_known = false;
  // ln size over the middle of the group's; absent without a size.
  std::vector<std::optional<double>> growth;

  [[nodiscard]] std::size_t size() const { return frames.size(); }
};

// Ordered by time where every frame has one, else as given.
TakenFrames order_as_taken(std::span<const NightFrame> given);

// Whether the frame has a size that counts.
bool has_size(const NightFrame& frame);

// "21:40", or the file's name where times are not known.
std::string time_words(const TakenFrames& taken, std::size_t frame);

}  // namespace starwaist::night
