#include "night/frame_losses.h"

#include <algorithm>
#include <cmath>

namespace starwaist::night {

FrameLosses find_losses(const Findings& found) {
  FrameLosses losses;
  losses.answers.resize(found.taken.size());
  for (std::size_t i = 0; i < found.taken.size(); ++i) {
    NightFrameAnswer& answer = losses.answers[i];
    const auto grown = found.sizes.loss[i];
    const auto lost_mag = found.light.lost_mag[i];
    const double exposure = found.taken.frames[i].exposure_s.value_or(0);
    losses.exposure_s += exposure;
    if (lost_mag) answer.light_percent = 100 * std::pow(10, -0.4 * *lost_mag);
    if (!grown) continue;
    answer.loss_percent = 100 * std::expm1(*grown);
    const double by_focus = std::min(found.focus.focus[i], *grown);
    answer.focus_loss_percent = 100 * std::expm1(by_focus);
    const bool dim = found.light.cloud[i] || found.light.fog[i];
    const double dimmed = dim ? lost_mag.value_or(0) : 0;
    const double worth = std::exp(-2 * *grown) * std::pow(10, -0.8 * dimmed);
    answer.worth_percent = 100 * worth;
    losses.exposure_lost_s += exposure * (1 - worth);
    losses.focus_lost_s += exposure * (1 - std::exp(-2 * by_focus));
  }
  return losses;
}

}  // namespace starwaist::night
