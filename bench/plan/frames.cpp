// Plans made from rendered frames.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <optional>
#include <string>
#include <vector>

#include "dice.h"
#include "plan/promises.h"
#include "starwaist/conditions.h"
#include "starwaist/plan.h"
#include "starwaist/render.h"
#include "starwaist/run.h"
#include "support/temporary_folder.h"

namespace starwaist::bench {
namespace {

constexpr int kRendered = 12;

struct Night {
  RenderOptions options;
  SeeingWalk walk;
  double core_steps = 1;
};

// A telescope and a night, drawn; aberrations of up to an eighth of a wave, balanced, peak to
// valley.
Night night_of(Dice& dice) {
  Night night;
  RenderOptions& o = night.options;
  constexpr double kNumbers[] = {2.0, 2.8, 4.0, 5.0, 6.0, 8.0};
  o.f_number = dice.pick(kNumbers);
  o.focal_length_mm = o.f_number * dice.between(90, 180);
  o.obstruction = dice.chance(0.5) ? dice.between(0.2, 0.45) : 0;
  o.um_per_step = dice.log_between(0.15, 0.6) * o.f_number;
  o.seeing_arcsec = dice.between(2, 4);
  o.seeing_scatter = 0;  // in seeing_factor
  o.aberrations.spherical_w040_waves = dice.between(-0.5, 0.5);
  o.width_px = 640;
  o.height_px = 480;
  o.star_count = static_cast<int>(dice.between(30, 120));
  o.faintest_electrons = 2e3;
  o.brightest_electrons = dice.log_between(1e5, 6e5);
  o.sky_gradient = dice.between(0, 0.3);
  o.hot_pixels = static_cast<int>(dice.between(0, 200));
  night.walk = {.jitter = dice.log_between(0.02, 0.08), .scale_frames = dice.log_between(0.5, 10)};
  Rig rig;
  rig.f_number = o.f_number;
  rig.focal_length_mm = o.focal_length_mm;
  rig.obstruction = o.obstruction;
  rig.pixel_um = o.pixel_um;
  rig.um_per_step = o.um_per_step;
  rig.seeing_arcsec = o.seeing_arcsec;
  night.core_steps = conditions_from_optics(rig)->core_steps();
  return night;
}

Rig rig_of(const RenderOptions& o) {
  Rig rig;
  rig.f_number = o.f_number;
  rig.obstruction = o.obstruction;
  rig.pixel_um = o.pixel_um;
  rig.um_per_step = o.um_per_step;
  return rig;
}

// Rendered, written, read and judged; absent where it could not be.
std::optional<FitResult> judged(Night& night, std::mt19937_64& random, double& truth_steps) {
  RenderOptions& o = night.options;
  o.seed = random();
  o.seeing_factor.clear();
  for (const double s : seeing_of(night.walk, o.positions_steps.size(), random)) {
    o.seeing_factor.push_back(std::exp(s));
  }
  const testing_support::TemporaryFolder folder;
  const auto truth = render_run(o, folder.path().string(), true);
  if (!truth) {
    std::fprintf(stderr, "%s\n", truth.error().text().c_str());
    return std::nullopt;
  }
  truth_steps = truth->best_focus_steps;
  RunOptions options;
  options.rig = rig_of(o);
  options.threads = 1;
  const auto answer = judge_run(std::vector{folder.path().string()}, options);
  return answer ? std::optional(answer->fit) : std::nullopt;
}

std::optional<Promise> planned(Night& night, std::mt19937_64& random) {
  RenderOptions& o = night.options;
  std::uniform_real_distribution<double> off(-1, 1);
  const double middle = std::round(o.best_focus_steps + night.core_steps * off(random));
  o.positions_steps =
      evenly_spaced_positions(middle, std::max(1.0, std::round(0.75 * night.core_steps)), 9);
  double truth = 0;
  const auto rough = judged(night, random, truth);
  if (!rough) return std::nullopt;
  const Rig rig = rig_of(o);
  const auto conditions = conditions_from_runs(std::vector{*rough}, rig, o.exposure_s);
  if (!conditions) return std::nullopt;
  PlanOptions options;
  options.exposure_s = o.exposure_s;
  const auto plan = plan_run(*conditions, rig, options);
  if (!plan) return std::nullopt;
  o.positions_steps.clear();
  for (const double position : plan->positions_steps) {
    o.positions_steps.insert(o.positions_steps.end(),
                             static_cast<std::size_t>(plan->frames_per_point), position);
  }
  Promise promise;
  promise.expected_steps = plan->expected_sigma_steps;
  promise.promised_in_zone = plan->probability_in_zone.value_or(0);
  double squares = 0;
  double sum = 0;
  double stated = 0;
  std::string doubts;  // the first of them
  for (int i = 0; i < kRendered; ++i) {
    const auto fit = judged(night, random, truth);
    ++promise.runs;
    if (!fit || !fit->best_focus_steps) continue;
    ++promise.answers;
    const double error = *fit->best_focus_steps - truth;
    squares += error * error;
    sum += error;
    stated += fit->best_focus_sigma_steps.value_or(0);
    promise.in_zone += std::abs(error) <= 0.5 * *critical_focus_zone_steps(rig) ? 1 : 0;
    promise.trusted += fit->verdict == Verdict::trusted ? 1 : 0;
    if (doubts.empty() && !fit->reasons.empty()) doubts = fit->reasons.front().text;
  }
  const double n = std::max(1, promise.answers);
  promise.achieved_steps = std::sqrt(squares / n);
  std::printf(
      "f/%-3g B %6.1f steps, jitter %.1f %% over %4.1f frames, W040 %5.2f: noise %.2f %% and %.1f "
      "%%, %2d x %d, step %3.0f, edge %.1f, expected %.4f B, achieved %.4f B (mean %7.4f, the "
      "fits' own %.4f), ratio "
      "%.2f, trusted %d of %d%s%s\n",
      o.f_number, plan->core_width_steps, 100 * night.walk.jitter, night.walk.scale_frames,
      o.aberrations.spherical_w040_waves, 100 * plan->measuring_error, 100 * plan->seeing_scatter,
      plan->points, plan->frames_per_point, plan->step_steps, plan->edge_size_ratio,
      promise.expected_steps / plan->core_width_steps,
      promise.achieved_steps / plan->core_width_steps, sum / n / plan->core_width_steps,
      stated / n / plan->core_width_steps, promise.ratio(), promise.trusted, promise.runs,
      doubts.empty() ? "" : "; ", doubts.c_str());
  return promise;
}

}  // namespace

void from_frames(int plans, std::mt19937_64& random) {
  std::printf("plans from rendered frames, each rendered and judged %d times\n", kRendered);
  std::vector<Promise> all;
  for (int i = 0; i < plans; ++i) {
    std::mt19937_64 of_plan(random());  // so that a plan does not depend on those before it
    Dice dice(of_plan());
    Night night = night_of(dice);
    if (const auto promise = planned(night, of_plan)) all.push_back(*promise);
  }
  print_summary("frames", all);
}

}  // namespace starwaist::bench
