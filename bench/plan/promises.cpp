#include "plan/promises.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <optional>

#include "starwaist/conditions.h"
#include "starwaist/curve.h"
#include "starwaist/plan.h"

namespace starwaist::bench {
namespace {

constexpr double kTruth = 20000;
constexpr int kRunsOfPlan = 100;

std::vector<CurvePoint> taken(const Telescope& t, const std::vector<double>& positions,
                              const SeeingWalk& walk, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::uniform_real_distribution<double> uniform(0, 1);
  const auto seeing = seeing_of(walk, positions.size(), random);
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < positions.size(); ++i) {
    const double z = positions[i] - kTruth;
    CurvePoint p;
    p.file = "frame";
    p.position_steps = positions[i];
    const double size = t.size_px(z);
    p.sigma_px = walk.measuring * size;
    p.size_px = size * std::exp(t.share(z) * seeing[i]) * (1 + walk.measuring * normal(random));
    if (uniform(random) < walk.spoiled_share) {
      if (uniform(random) < 0.5) continue;
      *p.size_px *= 1.2 + 0.4 * uniform(random);
    }
    points.push_back(p);
  }
  return points;
}

std::vector<double> positions_of(const FocusPlan& plan, double centre) {
  std::vector<double> positions;
  for (int i = 0; i < plan.points; ++i) {
    for (int k = 0; k < plan.frames_per_point; ++k) {
      positions.push_back(std::round(centre + (i - 0.5 * (plan.points - 1)) * plan.step_steps));
    }
  }
  return positions;
}

// `offset_cores`: of best focus from the sweep's middle, at most.
Promise carried_out(const Telescope& t, const FocusPlan& plan, double centre, double offset_cores,
                    const SeeingWalk& walk, std::mt19937_64& random) {
  std::uniform_real_distribution<double> offset(-offset_cores, offset_cores);
  Promise promise;
  promise.expected_steps = plan.expected_sigma_steps;
  promise.promised_in_zone = plan.probability_in_zone.value_or(0);
  const double half_zone = 0.5 * *critical_focus_zone_steps(t.rig);
  double squares = 0;
  for (int i = 0; i < kRunsOfPlan; ++i) {
    const auto positions = positions_of(plan, centre + t.core_steps * offset(random));
    const auto fit = fit_curve(taken(t, positions, walk, random), t.rig);
    ++promise.runs;
    if (!fit || !fit->best_focus_steps) continue;
    ++promise.answers;
    const double error = *fit->best_focus_steps - kTruth;
    squares += error * error;
    promise.in_zone += std::abs(error) <= half_zone ? 1 : 0;
    promise.trusted += fit->verdict == Verdict::trusted ? 1 : 0;
  }
  promise.achieved_steps = std::sqrt(squares / std::max(1, promise.answers));
  return promise;
}

std::optional<Promise> from_optics(const Telescope& t, const SeeingWalk& walk,
                                   std::mt19937_64& random) {
  auto conditions = *conditions_from_optics(t.rig);
  conditions.seeing_scatter = walk.jitter;
  const auto plan = plan_run(conditions, t.rig);
  if (!plan) return std::nullopt;
  return carried_out(t, *plan, kTruth, 1, walk, random);
}

std::optional<Promise> from_rough_run(const Telescope& t, const SeeingWalk& walk,
                                      std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(-1, 1);
  const double centre = kTruth + t.core_steps * uniform(random);
  std::vector<double> positions;
  for (int i = -4; i <= 4; ++i) {
    positions.push_back(std::round(centre + i * std::max(1.0, 0.75 * t.core_steps)));
  }
  const auto rough = fit_curve(taken(t, positions, walk, random), t.rig);
  if (!rough) return std::nullopt;
  const auto conditions = conditions_from_runs(std::vector{*rough}, t.rig, 3.0);
  if (!conditions) return std::nullopt;
  PlanOptions options;
  options.exposure_s = 3.0;
  const auto plan = plan_run(*conditions, t.rig, options);
  if (!plan) return std::nullopt;
  return carried_out(t, *plan, *plan->centre_steps, 0, walk, random);
}

}  // namespace

void print_summary(const std::string& what, const std::vector<Promise>& promises) {
  constexpr double kHolds = 1.25;
  int holds = 0;
  int within = 0;
  int trusted = 0;
  int in_zone = 0;
  int runs = 0;
  double promised = 0;
  double log_sum = 0;
  std::vector<double> ratios;
  for (const Promise& p : promises) {
    holds += p.ratio() <= kHolds ? 1 : 0;
    within += std::abs(std::log(p.ratio())) <= std::log(kHolds) ? 1 : 0;
    trusted += p.trusted;
    in_zone += p.in_zone;
    runs += p.runs;
    promised += p.promised_in_zone * p.runs;
    log_sum += std::log(p.ratio());
    ratios.push_back(p.ratio());
  }
  if (promises.empty()) return;
  std::sort(ratios.begin(), ratios.end());
  const auto quantile = [&ratios](double q) {
    return ratios[static_cast<std::size_t>(q * static_cast<double>(ratios.size() - 1))];
  };
  const auto n = static_cast<double>(promises.size());
  std::printf(
      "%-28s %3zu plans: achieved/expected at most 1.25 in %5.1f %%, within 1.25 either way in "
      "%5.1f %%; mean %.2f, tenths %.2f %.2f %.2f; in zone %.1f %% (promised %.1f); trusted %.1f "
      "%%\n",
      what.c_str(), promises.size(), 100 * holds / n, 100 * within / n, std::exp(log_sum / n),
      quantile(0.1), quantile(0.5), quantile(0.9), 100.0 * in_zone / runs, 100 * promised / runs,
      100.0 * trusted / runs);
}

void correlated(const std::vector<Telescope>& telescopes, int plans, std::mt19937_64& random) {
  std::printf(
      "seeing by a walk of 0.5 to 10 frames, one frame in twenty spoiled: each plan carried out %d "
      "times\n",
      kRunsOfPlan);
  for (const bool rough : {false, true}) {
    const std::string from = rough ? "rough run" : "optics";
    std::vector<Promise> all;
    for (const double scale : {0.5, 1.5, 4.0, 10.0}) {
      std::vector<Promise> of_scale;
      for (int i = 0; i < plans; ++i) {
        const Telescope& t = telescopes[static_cast<std::size_t>(i) % telescopes.size()];
        std::uniform_real_distribution<double> log_jitter(std::log(0.02), std::log(0.08));
        const SeeingWalk walk{.jitter = std::exp(log_jitter(random)),
                              .scale_frames = scale,
                              .spoiled_share = 0.05,
                              .measuring = 0.01};
        const auto promise = rough ? from_rough_run(t, walk, random) : from_optics(t, walk, random);
        if (promise) of_scale.push_back(*promise);
      }
      char name[60];
      std::snprintf(name, sizeof name, "%s, scale %.1f", from.c_str(), scale);
      print_summary(name, of_scale);
      all.insert(all.end(), of_scale.begin(), of_scale.end());
    }
    print_summary(from + ", all", all);
  }
}

}  // namespace starwaist::bench
