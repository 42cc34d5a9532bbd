#include <algorithm>
#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/light.h"
#include "diagnosis/words.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage page() {
  return {
      "background_change",
      "the sky changed its brightness",
      "The sky level changed during the run: a lamp, twilight, the moon, headlights, a flat "
      "panel left on. Faint stars come and go with it.",
      "Mostly the curve is whole; single points may scatter.",
      "Clouds over a town brighten the sky too, but take light from the stars at the same time.",
      "Find the light and switch it off or wait; repeat the run if points were lost.",
      "common practice, no source"};
}

std::optional<Candidate> look(const RunView& run) {
  std::vector<double> levels;
  std::vector<double> noises;
  // A cloud lights up by itself: its frames say nothing of the sky.
  std::vector<bool> clouded(run.count(), false);
  if (const auto light = light_history(run); light && light->log_odds_cloud > 0) {
    for (const std::size_t i : light->dimmed) clouded[i] = true;
  }
  for (std::size_t i = 0; i < run.count(); ++i) {
    if (clouded[i]) continue;
    if (run.facts(i).background_adu) levels.push_back(*run.facts(i).background_adu);
    if (run.facts(i).noise_adu) noises.push_back(*run.facts(i).noise_adu);
  }
  constexpr std::size_t kFewest = 3;
  if (levels.size() < kFewest) return std::nullopt;
  const auto [low, high] = std::minmax_element(levels.begin(), levels.end());
  const double change = *high - *low;
  const double middle = median(levels);
  // Part of the sky's own light: the level has a pedestal that nobody knows, the photon noise
  // squared has only the read noise's. Without the noise the level itself must do.
  double part = change / std::max(std::abs(middle), 1e-9);
  double in_noise = 0;
  if (noises.size() == levels.size()) {
    // Of the darkest and the brightest sky: stars' wings make pixels scatter too.
    const double quiet = noises[static_cast<std::size_t>(low - levels.begin())];
    const double loud = noises[static_cast<std::size_t>(high - levels.begin())];
    part = std::max(part, loud * loud / (quiet * quiet) - 1);
    in_noise = change / std::min(quiet, loud);
    // A change that the pixels do not feel is none.
    if (in_noise < 0.5) return std::nullopt;
  }
  Candidate c;
  c.log_odds = std::min(5 * std::log(std::max(part, 1e-3) / 0.2), 4.0);
  if (c.log_odds < -6) return std::nullopt;
  c.share = std::min(part, 1.0);
  c.summary = "The sky level went from " + format_short(*low) + " to " + format_short(*high) +
              " ADU during the run.";
  c.evidence = {{"lowest sky level", *low, "ADU"}, {"highest sky level", *high, "ADU"}};
  if (in_noise > 0) c.evidence.push_back({"change over a pixel's noise", in_noise, ""});
  c.remedy =
      "Find the light (lamp, moon, twilight, panel) and switch it off or wait it out; "
      "repeat the run if points were lost.";
  return c;
}

}  // namespace

Cause cause_background_change() { return {page(), look}; }

}  // namespace starwaist::diagnosis
