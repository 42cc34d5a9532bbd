#include <cmath>
#include <string>

#include "diagnosis/cause.h"
#include "diagnosis/light_history.h"
#include "diagnosis/phrases.h"
#include "starwaist/statistics.h"

namespace starwaist::diagnosis {
namespace {

CausePage passing_cloud_page() {
  return {"passing_cloud",
          "a cloud passed",
          "Some frames lost light: the same stars are dimmer than in the others, the faint ones "
          "vanish, and often the sky is brighter.",
          "The curve may look untouched, or single points leave it upwards because only few stars "
          "were left.",
          "Dew takes more and more light and never gives it back; a cloud goes. Frames far out of "
          "focus show fewer stars on both sides of the minimum and in the same measure.",
          "If the points of the other frames carry the curve, the answer can be used. Else wait for"
          " a clear gap and repeat the run.",
          "common practice, no source"};
}

std::optional<Candidate> look_for_passing_cloud(const RunView& run) {
  const auto light = light_history(run);
  if (!light || light->dimmed.empty()) return std::nullopt;
  Candidate c;
  c.log_odds = light->log_odds_cloud;
  std::size_t rejected = 0;
  for (const std::size_t i : light->dimmed) {
    const bool off =
        run.curve() && run.sized(i) &&
        std::abs(*run.point(i).size_px - run.curve()->size_px[i]) > 2.5 * run.curve()->sigma_px[i];
    // A thin cloud leaves sizes as they are: what is off there has another cause.
    constexpr double kThick = 0.7;
    if (light->deepest_loss > kThick && (!run.point(i).used || off)) c.spoiled.push_back(i);
    rejected += run.point(i).used ? 0 : 1;
  }
  c.share = static_cast<double>(light->dimmed.size()) / static_cast<double>(run.count());
  const RunView clear = run.with(light->dimmed, {});
  if (run.curve() && clear.curve()) {
    c.effect = effect_of_shift(
        run, clear.curve()->best_focus_steps -
                 run.record().fit.best_focus_steps.value_or(run.curve()->best_focus_steps));
    // The two differ by their own noise too: no more than a hint.
    if (c.effect == Effect::unusable) c.effect = Effect::doubtful;
  }
  const std::string frames = count_of(light->dimmed.size(), "frame");
  c.summary = light->from_counts ? frames + " show far fewer stars than the others (up to " +
                                       percent(light->deepest_loss) + " fewer): a cloud passed."
                                 : frames + " lost light: the same stars are up to " +
                                       percent(light->deepest_loss) + " dimmer than in the others.";
  if (c.effect == Effect::harmless) c.summary += " Best focus does not depend on them.";
  c.evidence = {
      {"frames dimmed", static_cast<double>(light->dimmed.size()), ""},
      {light->from_counts ? "most stars lost" : "most light lost", 100 * light->deepest_loss, "%"},
      {"usual scatter of it", 100 * light->noise, "%"},
      {"of them left out of the curve", static_cast<double>(rejected), ""}};
  c.remedy = c.effect == Effect::harmless
                 ? Statement{codes::nothing_to_do,
                             "Nothing for this run. If the clouds go on, repeat it in a clear gap."}
                 : Statement{codes::wait_for_clear_sky, "Wait for a clear gap and repeat the run."};
  c.covers = {"fogging"};
  return c;
}

}  // namespace

Cause cause_passing_cloud() { return {passing_cloud_page(), look_for_passing_cloud}; }

}  // namespace starwaist::diagnosis
