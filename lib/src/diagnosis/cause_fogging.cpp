#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/light_history.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage fogging_page() {
  return {"fogging",
          "dew or frost on the optics",
          "The optics fog up: light is lost steadily, haloes grow, sizes grow with them.",
          "The later arm is higher than the earlier one; the stars get dimmer from frame to frame.",
          "A cloud takes light from some frames and gives it back. A falling temperature moves the "
          "curve but leaves the light.",
          "Warm the dew shield or corrector gently, or blow warm air (no hot air on cold glass, do "
          "not wipe), then repeat the run.",
          "common practice, no source"};
}

std::optional<Candidate> look_for_fogging(const RunView& run) {
  const auto light = light_history(run);
  if (!light || light->fog_loss <= 0 || light->from_counts) return std::nullopt;
  Candidate c;
  c.log_odds = light->log_odds_fog;
  c.share = light->fog_loss;
  c.effect = light->fog_loss > 0.3 ? Effect::doubtful : Effect::harmless;
  c.summary = "The same stars lose light steadily, " + percent(light->fog_loss) +
              " by the end of the run: dew or frost is forming, and the sizes grow with it.";
  c.evidence = {
      {"light lost by the last frame", 100 * light->fog_loss, "%"},
      {"number of the frame where it begins", static_cast<double>(light->fog_from + 1), ""},
      {"usual scatter of a frame's light", 100 * light->noise, "%"}};
  c.remedy = {codes::clear_dew,
              "Warm the dew shield or blow warm air gently over the front, without wiping cold "
              "glass; then repeat the run."};
  c.covers = {"passing_cloud", "bad_seeing"};
  const auto last = static_cast<double>(run.count() - 1);
  const auto begin = std::min(static_cast<double>(light->fog_from), last - 1);
  for (std::size_t i = 0; i < run.count(); ++i) {
    c.thickness.push_back(std::max(0.0, (static_cast<double>(i) - begin) / (last - begin)));
  }
  return c;
}

}  // namespace

Cause cause_fogging() { return {fogging_page(), look_for_fogging}; }

}  // namespace starwaist::diagnosis
