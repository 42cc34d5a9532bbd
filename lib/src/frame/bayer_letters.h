// Colours of a mosaic by their letters.
#pragma once

#include <optional>

#include "starwaist/frame.h"

namespace starwaist::frame_detail {

inline std::optional<ColorChannel> channel_of(char letter) {
  switch (letter) {
    case 'R':
      return ColorChannel::red;
    case 'G':
      return ColorChannel::green;
    case 'B':
      return ColorChannel::blue;
    default:
      return std::nullopt;
  }
}

// Green on one diagonal, red and blue on the other.
inline bool is_bayer(const BayerTile& tile) {
  const auto diagonals = [&tile](int greens_a, int greens_b, int other_a, int other_b) {
    return tile.tile[greens_a] == ColorChannel::green &&
           tile.tile[greens_b] == ColorChannel::green &&
           tile.tile[other_a] != ColorChannel::green && tile.tile[other_b] != ColorChannel::green &&
           tile.tile[other_a] != tile.tile[other_b];
  };
  return diagonals(0, 3, 1, 2) || diagonals(1, 2, 0, 3);
}

}  // namespace starwaist::frame_detail
