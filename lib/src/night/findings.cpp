#include "night/findings.h"

#include "night/motion.h"

namespace starwaist::night {

Findings find_all(std::span<const NightFrame> given) {
  Findings found;
  found.taken = order_as_taken(given);
  found.light = judge_light_loss(found.taken);
  const std::vector<double> unknown(found.taken.size(), 0.0);
  found.focus = find_focus(found.taken, found.light, judge_motion(found.taken, unknown));
  hold_to_measured(found.focus);
  found.moved = judge_motion(found.taken, found.focus.focus);
  found.sizes = find_reachable(found.taken, found.focus);
  return found;
}

}  // namespace starwaist::night
