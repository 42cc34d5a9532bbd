// A focuser with slack and a scale, as the loops drive it.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "starwaist/move.h"
#include "starwaist/rig.h"

namespace starwaist::bench {

class Focuser {
 public:
  // `play`: where in its slack it lies at first, 0 to 1.
  Focuser(double start_steps, double slack_steps, double play, const Rig& rig)
      : command_(start_steps),
        true_(start_steps - play * slack_steps),
        slack_(slack_steps),
        rig_(rig) {}

  void go(const Move& move) {
    if (move.via_steps) go_to(static_cast<double>(*move.via_steps));
    go_to(static_cast<double>(move.to_steps));
  }
  [[nodiscard]] double command_steps() const { return command_; }
  [[nodiscard]] double true_steps() const { return true_; }
  [[nodiscard]] bool was_outside() const { return outside_; }

 private:
  // What it carries follows once the slack is taken up: it lies between command - slack (moving
  // outwards) and the command (moving inwards).
  void go_to(double position) {
    outside_ = outside_ || (rig_.min_position_steps && position < *rig_.min_position_steps) ||
               (rig_.max_position_steps && position > *rig_.max_position_steps);
    command_ = position;
    true_ = std::clamp(true_, command_ - slack_, command_);
  }

  double command_;
  double true_;
  double slack_;
  Rig rig_;
  bool outside_ = false;
};

}  // namespace starwaist::bench
