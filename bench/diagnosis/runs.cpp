#include "diagnosis/runs.h"

#include <algorithm>
#include <iterator>
#include <utility>

#include "dice.h"
#include "starwaist/numbers.h"

namespace starwaist::bench::diagnosis {

namespace {

constexpr const char* kTableCauses[] = {"one_sided",      "step_too_small", "step_too_large",
                                        "too_few_points", "slack",          "no_motion",
                                        "focus_jump",     "passing_cloud",  "thermal_drift"};

// What can happen to the sweep, and what to the sky, the stars and the optics: a pair has one of
// each, so that neither hides the other.
constexpr const char* kOfTheSweep[] = {"one_sided", "too_few_points", "slack", "focus_jump"};
constexpr const char* kOfTheFrames[] = {"passing_cloud",    "fogging",          "saturation",
                                        "defects_as_stars", "image_motion",     "thermal_drift",
                                        "field_tilt",       "background_change"};

}  // namespace

bool is_healthy(const Run& run) { return run.truth[0].cause == "healthy"; }

std::string words_of(const std::vector<Scenario>& truth) {
  return truth[0].cause + (truth.size() > 1 ? "+" + truth[1].cause : "");
}

std::string name_of(const Run& run) {
  std::string name = words_of(run.truth) + "_" + std::to_string(run.seed);
  for (const Scenario& scenario : run.truth) {
    name += "_" + format_fixed(scenario.strength, 6);
  }
  return name;
}

std::vector<Run> runs_of(const Settings& settings) {
  std::vector<Run> runs;
  Dice dice(settings.seed);
  const auto strength = [&] {
    if (settings.weakest) return 1.0;
    if (settings.wide) return dice.between(0.5, 3);
    return settings.graded ? dice.log_between(0.2, 2.5) : dice.between(1, 2.5);
  };
  const auto add = [&](std::vector<Scenario> truth) {
    runs.push_back({std::move(truth), settings.seed * 1000003 + runs.size()});
  };
  const bool healthy_only = settings.only == "healthy";
  for (const ScenarioKind& kind : scenario_kinds()) {
    const std::string cause(kind.cause);
    if (cause == "healthy" || (!settings.only.empty() && cause != settings.only)) continue;
    const bool shows =
        !settings.table || std::any_of(std::begin(kTableCauses), std::end(kTableCauses),
                                       [&](const char* known) { return cause == known; });
    for (int i = 0; shows && i < settings.causes; ++i) add({{cause, strength()}});
  }
  for (int i = 0; (settings.only.empty() || healthy_only) && i < settings.healthy; ++i) {
    add({{"healthy", 1}});
  }
  for (int i = 0; settings.only.empty() && !settings.table && i < settings.pairs; ++i) {
    const std::string one = dice.pick(kOfTheSweep);
    const std::string other = dice.pick(kOfTheFrames);
    add({{one, strength()}, {other, strength()}});
  }
  return runs;
}

}  // namespace starwaist::bench::diagnosis
