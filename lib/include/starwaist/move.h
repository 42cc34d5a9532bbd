// Where to send the focuser so that it arrives with its slack taken up.
//
// Module: optics.
#pragma once

#include <cstdint>
#include <optional>

#include "starwaist/fields.h"
#include "starwaist/rig.h"
#include "starwaist/terms.h"

namespace starwaist {

// Whole steps: to `via_steps` first, where there is slack to take up, then to `to_steps`.
struct Move {
  std::optional<std::int64_t> via_steps;
  std::int64_t to_steps = 0;
};

template <>
struct Fields<Move> {
  static constexpr auto list = fields_in_order(
      STARWAIST_FIELD(Move, via_steps, "steps", "go there first, so that the slack is taken up"),
      STARWAIST_FIELD(Move, to_steps, "steps", "then there"));
};
static_assert(describes_every_field<Move>());

// To the whole step nearest `target_steps`, the last move in the direction `approach`. Both places
// keep to the rig's limits; where the take-up does not fit between target and limit it is as long
// as fits. Without a direction or without takeup_steps of the rig there is nothing to go by way of.
Move move_to(double target_steps, std::optional<Direction> approach, const Rig& rig);

}  // namespace starwaist
