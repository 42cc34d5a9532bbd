#include "starwaist/move.h"

#include <algorithm>
#include <cmath>

namespace starwaist {
namespace {

std::int64_t whole_within(double position_steps, const Rig& rig) {
  double whole = std::round(position_steps);
  if (rig.min_position_steps) whole = std::max(whole, std::ceil(*rig.min_position_steps));
  if (rig.max_position_steps) whole = std::min(whole, std::floor(*rig.max_position_steps));
  constexpr double kFarthest = 9e15;  // beyond it doubles hold no single steps
  return static_cast<std::int64_t>(std::clamp(whole, -kFarthest, kFarthest));
}

}  // namespace

Move move_to(double target_steps, std::optional<Direction> approach, const Rig& rig) {
  Move move;
  move.to_steps = whole_within(target_steps, rig);
  const double takeup = rig.takeup_steps.value_or(0);
  if (!approach || !(takeup > 0)) return move;
  const double back = *approach == Direction::outward ? -takeup : takeup;
  const std::int64_t via = whole_within(static_cast<double>(move.to_steps) + back, rig);
  if (via != move.to_steps) move.via_steps = via;
  return move;
}

}  // namespace starwaist
