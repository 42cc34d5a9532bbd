#include <algorithm>
#include <cmath>
#include <cstddef>
#include <string>
#include <utility>
#include <vector>

#include "render/random.h"
#include "render/scenario_makers.h"
#include "render/scene.h"
#include "starwaist/numbers.h"
#include "starwaist/render.h"
#include "starwaist/rig.h"

namespace starwaist {

namespace {

using render::Made;
using render::Making;
using render::Random;
using render::RigScale;

// A place here is the number of a random stream, and that of "healthy" is the plan's: a new cause
// comes last, so that the runs of a seed stay what they are.
constexpr ScenarioKind kKinds[] = {
    {"one_sided", "best focus 0.5 B beyond the last position; grows"},
    {"step_too_small", "half range 0.4 B; divided by the strength"},
    {"step_too_large", "seven points 2 B apart; grows"},
    {"too_few_points", "4 points, 3 from strength 2 on"},
    {"slack", "free play of 1.2 sweep steps, 0.6 B at least; grows"},
    {"no_motion", "the last third of the frames, from 3 on all of them"},
    {"focus_jump", "0.6 B between two frames; grows"},
    {"passing_cloud", "0.4 mag in the darkest frame, sky 20 % brighter; grows"},
    {"fogging", "0.5 mag and 25 % wider seeing by the last frame; grows"},
    {"few_stars", "4 stars, or the brightest of signal-to-noise 12; divided by the strength"},
    {"saturation", "half of the stars clipped in focus; exposure grows"},
    {"defects_as_stars", "1.5 hot pixels with warm neighbours for each star; grows"},
    {"image_motion", "trails or shaking of one full width at half maximum; grows"},
    {"thermal_drift", "a half zone over the run; grows"},
    {"extended_objects", "0.6 galaxies and knots for each star; grows"},
    {"background_change", "sky 50 % brighter by the end, its gradient steeper; grows"},
    {"field_tilt", "two half zones from edge to edge; grows"},
    {"field_curvature", "two half zones from centre to corner; grows"},
    {"miscollimation", "shadow 0.15 donut radii off centre; grows"},
    {"bad_seeing", "twice the seeing asked for; 1 + strength times"},
    {"healthy", "nothing went wrong"},
};
static_assert(kKinds[20].cause == "healthy");

Result<RigScale> scale_of(const RenderOptions& options) {
  const auto spread = point_spread(options, 0, options.seeing_arcsec);
  if (!spread) return tl::unexpected(spread.error());
  RigScale scale;
  scale.half_zone_um = 0.5 * critical_focus_zone_um(options.f_number, kReferenceWavelengthUm);
  scale.smallest_px = half_flux_radius_px(*spread);
  scale.width_um = scale.smallest_px /
                   arm_slope_px_per_um(options.f_number, options.obstruction, options.pixel_um);
  scale.peak_share = *std::max_element(spread->values.begin(), spread->values.end());
  return scale;
}

struct Plan {
  int points = 9;
  double half_range_um = 0;
  double middle_um = 0;  // of the positions, from best focus
  double beyond_um = 0;  // where not zero, instead of middle_um: how far best focus lies beyond
                         // the first (> 0) or last position
  bool inward = false;
};

Plan good_plan(const RigScale& scale, Random& random) {
  Plan plan;
  plan.points = 9 + static_cast<int>(3 * random.uniform());
  // Half-flux radii there: 2.2 to 3 times the smallest (physics of a blurred pupil in Kolmogorov
  // seeing, u = 2: 2.18, u = 3: 3.11).
  plan.half_range_um = (2.2 + 0.6 * random.uniform()) * scale.width_um;
  plan.middle_um = (2 * random.uniform() - 1) * 0.15 * plan.half_range_um;
  plan.inward = random.uniform() < 1.0 / 3;
  return plan;
}

// Whole steps, as focusers have, unless that would bend the plan.
std::vector<double> positions_of(const RenderOptions& options, const Plan& plan) {
  constexpr double kWholeFrom = 3;
  const double step = 2 * plan.half_range_um / (plan.points - 1) / options.um_per_step;
  const double kept = step >= kWholeFrom ? std::round(step) : 0.01 * std::ceil(100 * step);
  const double half_steps = 0.5 * kept * (plan.points - 1);
  const double middle_steps = plan.beyond_um == 0 ? plan.middle_um / options.um_per_step
                                                  : std::copysign(half_steps, plan.beyond_um) +
                                                        plan.beyond_um / options.um_per_step;
  const double lowest = options.best_focus_steps + middle_steps - half_steps;
  const double first = step >= kWholeFrom ? std::round(lowest) : 0.01 * std::round(100 * lowest);
  std::vector<double> positions;
  for (int i = 0; i < plan.points; ++i) {
    const double position = first + kept * i;
    positions.push_back(step >= kWholeFrom ? position : 0.01 * std::round(100 * position));
  }
  if (plan.inward) std::reverse(positions.begin(), positions.end());
  return positions;
}

// The causes that are plans gone wrong.
Made spoil_plan(const std::string& cause, double strength, const RigScale& scale,
                double um_per_step, Random& random, Plan& plan) {
  if (cause == "one_sided") {
    const double beyond_um = 0.5 * strength * scale.width_um;
    plan.beyond_um = (random.uniform() < 0.5 ? -1 : 1) * beyond_um;
    return {beyond_um / um_per_step, "steps", "best focus beyond the last position"};
  }
  if (cause == "step_too_small" || cause == "step_too_large") {
    if (cause == "step_too_large") plan.points = std::min(plan.points, 7);
    const double half_range =
        cause == "step_too_small" ? 0.4 / strength : 2 * strength * 0.5 * (plan.points - 1);
    plan.middle_um *= half_range * scale.width_um / plan.half_range_um;
    plan.half_range_um = half_range * scale.width_um;
    return {2 * plan.half_range_um / (plan.points - 1) / um_per_step, "steps",
            cause == "step_too_small" ? "step, too small for the curve" : "step, too large for it"};
  }
  plan.points = strength < 2 ? 4 : 3;
  return {static_cast<double>(plan.points), "", "points of the run"};
}

bool is_plan(std::string_view cause) {
  return cause == "one_sided" || cause == "step_too_small" || cause == "step_too_large" ||
         cause == "too_few_points";
}

// Each cause has a stream of its own, so that it strikes alike whatever it is combined with.
Random stream_of(const RenderOptions& options, std::string_view cause) {
  std::uint64_t index = 0;
  while (kKinds[index].cause != cause) ++index;
  return {options.seed, static_cast<std::uint64_t>(render::Purpose::scenario), index};
}

Result<void> check_scenarios(const RenderOptions& options, std::span<const Scenario> scenarios) {
  for (std::size_t i = 0; i < scenarios.size(); ++i) {
    const Scenario& scenario = scenarios[i];
    const bool known =
        std::any_of(std::begin(kKinds), std::end(kKinds),
                    [&](const ScenarioKind& kind) { return kind.cause == scenario.cause; });
    if (!known) {
      std::string names;
      for (const ScenarioKind& kind : kKinds) {
        names += (names.empty() ? "" : ", ") + std::string(kind.cause);
      }
      return fail(ErrorCode::invalid_argument, "'" + scenario.cause + "' is no scenario",
                  "Use one of " + names);
    }
    if (!(scenario.strength > 0 && scenario.strength <= kStrongestScenario)) {
      return fail(ErrorCode::invalid_argument,
                  scenario.cause + " has the strength " +
                      format_like_sigma(scenario.strength, std::nullopt),
                  "Give a strength above 0, to 20; 1 is the weakest that must be found");
    }
    if (scenario.cause == "healthy" && scenarios.size() > 1) {
      return fail(ErrorCode::invalid_argument, "a healthy run has no other cause",
                  "Leave healthy or the others out");
    }
    if (is_plan(scenario.cause) && !options.positions_steps.empty()) {
      return fail(ErrorCode::invalid_argument, scenario.cause + " chooses the positions itself",
                  "Leave the positions out");
    }
    if (scenario.cause == "miscollimation" && options.obstruction < 0.1) {
      return fail(ErrorCode::invalid_argument,
                  "miscollimation shows in the shadow of a central obstruction, and there is none",
                  "Give an obstruction of 0.1 or more");
    }
    for (std::size_t j = 0; j < i; ++j) {
      if (scenarios[j].cause == scenario.cause) {
        return fail(ErrorCode::invalid_argument, scenario.cause + " is named twice",
                    "Name each cause once");
      }
      const auto both = [&](const char* a, const char* b) {
        return (scenario.cause == a && scenarios[j].cause == b) ||
               (scenario.cause == b && scenarios[j].cause == a);
      };
      if (both("step_too_small", "step_too_large")) {
        return fail(ErrorCode::invalid_argument, "a step cannot be too small and too large at once",
                    "Leave one of them out");
      }
    }
  }
  return {};
}

}  // namespace

std::span<const ScenarioKind> scenario_kinds() { return kKinds; }

Result<RenderOptions> apply_scenario(RenderOptions given, std::span<const Scenario> scenarios) {
  auto options = checked(std::move(given));
  if (!options) return options;
  if (scenarios.empty()) return options;
  if (auto fine = check_scenarios(*options, scenarios); !fine) {
    return tl::unexpected(fine.error());
  }
  const auto scale = scale_of(*options);
  if (!scale) return tl::unexpected(scale.error());

  std::vector<Made> made(scenarios.size());
  if (options->positions_steps.empty()) {
    Random random = stream_of(*options, "healthy");
    Plan plan = good_plan(*scale, random);
    for (std::size_t i = 0; i < scenarios.size(); ++i) {
      const Scenario& scenario = scenarios[i];
      if (!is_plan(scenario.cause)) continue;
      Random of_cause = stream_of(*options, scenario.cause);
      made[i] = spoil_plan(scenario.cause, scenario.strength, *scale, options->um_per_step,
                           of_cause, plan);
    }
    options->positions_steps = positions_of(*options, plan);
  }
  if (options->positions_steps.size() < 3) {
    return fail(ErrorCode::invalid_argument, "a scenario needs three positions or more",
                "Give more positions, or none for a good plan");
  }
  for (std::size_t i = 0; i < scenarios.size(); ++i) {
    const Scenario& scenario = scenarios[i];
    for (const auto& [cause, make] : render::scenario_makers()) {
      if (cause != scenario.cause) continue;
      Random random = stream_of(*options, cause);
      Making run{std::move(*options), *scale, scenario.strength, random};
      made[i] = make(run);
      *options = std::move(run.options);
    }
  }
  for (std::size_t i = 0; i < scenarios.size(); ++i) {
    options->scenarios.push_back(
        {scenarios[i].cause, scenarios[i].strength, made[i].amount, made[i].unit, made[i].meaning});
  }
  return checked(std::move(*options));
}

}  // namespace starwaist
