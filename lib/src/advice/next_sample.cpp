#include "starwaist/next_sample.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "advice/check_conditions.h"
#include "advice/focus_places.h"
#include "advice/information.h"
#include "advice/steps_text.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"
#include "starwaist/statistics.h"

namespace starwaist {
namespace advice {
namespace {

// Of a star's size at the two ends of the bracket over the smallest seen.
constexpr double kClearlyLarger = 1.25;
// From a point so near to focus that its size gives no distance.
constexpr double kShortestMove = 2;    // B
constexpr double kFarthest = 3.0;      // B from best focus that a refining point lies at most
constexpr double kStopOverCore = 0.1;  // wanted sigma over B where no zone is known

struct RunSoFar {
  std::vector<Taken> taken;
  ObservingConditions conditions;
  Rig rig;
  NextSampleOptions options;
  curve::Shape shape;

  [[nodiscard]] int count() const { return static_cast<int>(taken.size()); }
};

bool lower(const Taken& a, const Taken& b) { return a.position_steps < b.position_steps; }

bool fits(const Rig& rig, double position) {
  return !(rig.max_position_steps && position > *rig.max_position_steps) &&
         !(rig.min_position_steps && position < *rig.min_position_steps);
}

NextSample go(NextSample answer, const Rig& rig, double position, const Statement& reason) {
  double whole = std::round(position);
  if (rig.min_position_steps) whole = std::max(whole, std::ceil(*rig.min_position_steps));
  if (rig.max_position_steps) whole = std::min(whole, std::floor(*rig.max_position_steps));
  answer.next_position_steps = whole;
  answer.reason = reason;
  return answer;
}

// The smallest star so far, and on which sides of it a clearly larger one was seen.
struct Bracket {
  Taken least;
  bool below = false;
  bool above = false;

  [[nodiscard]] bool closed() const { return below && above; }
};

Bracket bracket_of(const std::vector<Taken>& taken) {
  Bracket bracket;
  bracket.least = *std::min_element(taken.begin(), taken.end(), [](const Taken& a, const Taken& b) {
    return a.size_px < b.size_px;
  });
  for (const Taken& t : taken) {
    if (!(t.size_px > kClearlyLarger * bracket.least.size_px)) continue;
    bracket.below = bracket.below || t.position_steps < bracket.least.position_steps;
    bracket.above = bracket.above || t.position_steps > bracket.least.position_steps;
  }
  return bracket;
}

// One size gives the distance but not the side: to the likelier place on the roomier side, and at
// least so far that the next size differs.
NextSample first_move(const RunSoFar& run, const Taken& only) {
  NextSample answer;
  answer.bracketing = true;
  const double ratio = std::max(1.0, only.size_px / run.conditions.smallest_px);
  const double distance =
      run.conditions.core_steps() * std::max(kShortestMove, distance_of_ratio(run.shape, ratio));
  const double above = only.position_steps + distance;
  return go(answer, run.rig, fits(run.rig, above) ? above : only.position_steps - distance,
            {codes::find_side, "the first move, to see on which side best focus lies"});
}

struct NextTarget {
  double position_steps = 0;
  Statement reason;
};

// Beyond the likely place by a step that makes the star clearly larger, on the side that has no
// larger star yet.
NextTarget bracketing_target(const RunSoFar& run, const Bracket& bracket,
                             const FocusPlaces& places) {
  const double core = run.conditions.core_steps();
  const double away = core * 1.6;
  NextTarget target{places.mean_steps,
                    {codes::go_to_likely_focus, "where best focus is likely so far"}};
  double& position = target.position_steps;
  const auto [low, high] = std::minmax_element(run.taken.begin(), run.taken.end(), lower);
  if (places.sigma_steps < core ||
      (position < high->position_steps && position > low->position_steps)) {
    position = bracket.above ? std::min(position, bracket.least.position_steps) - away
                             : std::max(position, bracket.least.position_steps) + away;
    target.reason = {codes::enclose_best_focus, "the other side of best focus, to enclose it"};
  }
  for (const Taken& t : run.taken) {
    // Never nearly the same place twice while bracketing.
    if (std::abs(t.position_steps - position) < 0.3 * core) {
      position += (bracket.above ? -1 : 1) * 0.8 * core;
    }
  }
  return target;
}

NextSample bracket_further(const RunSoFar& run, const Bracket& bracket, const FocusPlaces& places) {
  NextSample answer;
  answer.bracketing = true;
  if (run.count() >= run.options.most_points) {
    answer.reason = {codes::not_enclosed, "best focus was not enclosed in " +
                                              std::to_string(run.count()) +
                                              " frames: check that the focuser moves"};
    return answer;
  }
  if (run.count() == 1) return first_move(run, bracket.least);
  NextTarget target = bracketing_target(run, bracket, places);
  if (!fits(run.rig, target.position_steps)) {
    const bool too_far =
        run.rig.max_position_steps && target.position_steps > *run.rig.max_position_steps;
    const double limit = too_far ? *run.rig.max_position_steps : *run.rig.min_position_steps;
    for (const Taken& t : run.taken) {
      if (std::abs(t.position_steps - limit) < 1.0) {
        answer.reason = {codes::beyond_limit,
                         "best focus lies beyond the focuser's limit " +
                             format_like_sigma(limit, 1.0) +
                             ": move the camera along the tube, or correct the limit"};
        return answer;
      }
    }
    target.reason = {codes::held_at_limit, target.reason.text + "; held at the focuser's limit"};
  }
  return go(answer, run.rig, target.position_steps, target.reason);
}

// Variance of best focus (steps) averaged over where it may be, with one more point at `extra`.
double variance_with(const RunSoFar& run, const FocusPlaces& places, std::optional<double> extra) {
  const PointNoise noise = noise_of_frame(run.conditions);
  double sum = 0;
  double total = 0;
  for (const FocusPlace& p : places.places) {
    if (p.weight < 1e-3) continue;
    const double core = p.smallest_px / p.slope_px_per_step;
    Information information;
    for (const Taken& t : run.taken) {
      information.add(run.shape, (t.position_steps - p.position_steps) / core, noise);
    }
    if (extra) information.add(run.shape, (*extra - p.position_steps) / core, noise);
    const auto sigma = information.sigma();
    const double bound = sigma ? *sigma * core : 1e3 * core;
    sum += p.weight * bound * bound;
    total += p.weight;
  }
  return sum / total;
}

// What the verdict `trusted` still asks for.
enum class Missing { nothing, points, positions, below, above };

Missing missing_for_trust(const std::vector<Taken>& taken, double best) {
  std::vector<double> positions;
  int below = 0;
  int above = 0;
  for (const Taken& t : taken) {
    positions.push_back(t.position_steps);
    below += t.position_steps < best ? 1 : 0;
    above += t.position_steps > best ? 1 : 0;
  }
  std::sort(positions.begin(), positions.end());
  const auto distinct = std::unique(positions.begin(), positions.end()) - positions.begin();
  if (static_cast<int>(taken.size()) < VerdictRules::kTrustedPoints) return Missing::points;
  if (distinct < VerdictRules::kTrustedPositions) return Missing::positions;
  if (below < VerdictRules::kPointsPerSide) return Missing::below;
  if (above < VerdictRules::kPointsPerSide) return Missing::above;
  return Missing::nothing;
}

double wanted_sigma(const RunSoFar& run) {
  if (run.options.wanted_sigma_steps) return *run.options.wanted_sigma_steps;
  // Half of the zone with 95 %.
  if (const auto zone = critical_focus_zone_steps(run.rig)) {
    return 0.5 * *zone / normal_quantile(0.975);
  }
  return kStopOverCore * run.conditions.core_steps();
}

struct Candidate {
  double position_steps = 0;
  double variance = std::numeric_limits<double>::infinity();  // once a point is there
};

// The position that lowers the variance most among those that bring what is missing; absent where
// the limits leave none.
std::optional<Candidate> best_candidate(const RunSoFar& run, const FocusPlaces& places,
                                        Missing missing) {
  constexpr int kCandidates = 41;
  const double best = places.mean_steps;
  std::optional<Candidate> next;
  for (int k = 0; k < kCandidates; ++k) {
    const double u = kFarthest * (2.0 * k / (kCandidates - 1) - 1);
    const double position = std::round(best + u * run.conditions.core_steps());
    if (!fits(run.rig, position)) continue;
    if (missing == Missing::below && position >= best) continue;
    if (missing == Missing::above && position <= best) continue;
    const bool again = std::any_of(run.taken.begin(), run.taken.end(), [&](const Taken& t) {
      return std::abs(t.position_steps - position) < 0.5;
    });
    if (again && (missing == Missing::positions || missing == Missing::points)) continue;
    const double variance = variance_with(run, places, position);
    if (variance < next.value_or(Candidate{}).variance) next = Candidate{position, variance};
  }
  return next;
}

NextSample refine(const RunSoFar& run, const FocusPlaces& places) {
  const int n = run.count();
  NextSample answer;
  answer.best_focus_steps = places.mean_steps;
  const double sigma = std::sqrt(variance_with(run, places, std::nullopt)) * fit_cost(n);
  answer.sigma_steps = sigma;
  const double wanted = wanted_sigma(run);
  const Missing missing = missing_for_trust(run.taken, places.mean_steps);
  if (sigma <= wanted && missing == Missing::nothing) {
    answer.enough = true;
    answer.reason = {codes::enough, "best focus is known to ±" + steps_text(sigma) +
                                        " steps, wanted were " + steps_text(wanted)};
    return answer;
  }
  if (n >= run.options.most_points) {
    answer.reason = {codes::most_frames_taken, "the run has its " + std::to_string(n) + " frames"};
    return answer;
  }
  const auto next = best_candidate(run, places, missing);
  if (!next) {
    answer.reason = {codes::limits_leave_nothing, "the focuser's limits leave no useful position"};
    return answer;
  }
  const double after = std::sqrt(next->variance) * fit_cost(n + 1);
  answer.sigma_after_steps = after;
  return go(
      answer, run.rig, next->position_steps,
      {codes::lower_uncertainty, "lowers the uncertainty of best focus most: to ±" +
                                     steps_text(after) + " from ±" + steps_text(sigma) + " steps"});
}

NextSample advise(const RunSoFar& run) {
  if (run.taken.empty()) {
    NextSample first;
    first.bracketing = true;
    return go(first, run.rig, run.options.start_steps, {codes::first_frame, "the first frame"});
  }
  const FocusPlaces places = likely_places(run.taken, run.conditions, run.shape);
  const Bracket bracket = bracket_of(run.taken);
  return bracket.closed() ? refine(run, places) : bracket_further(run, bracket, places);
}

}  // namespace
}  // namespace advice

Result<NextSample> next_sample(std::span<const CurvePoint> points,
                               const ObservingConditions& conditions, const Rig& rig,
                               const NextSampleOptions& options) {
  if (auto sound = advice::check_conditions(conditions); !sound) {
    return tl::unexpected<Error>(sound.error());
  }
  const auto valid = checked(rig);
  if (!valid) return tl::unexpected<Error>(valid.error());
  std::vector<advice::Taken> taken;
  for (const CurvePoint& p : points) {
    if (!p.size_px || !p.used) continue;
    if (!std::isfinite(p.position_steps) || !std::isfinite(*p.size_px) || !(*p.size_px > 0)) {
      return fail(ErrorCode::invalid_argument,
                  p.file + ": position and size must be finite numbers, the size above 0",
                  "Leave the point out");
    }
    taken.push_back({p.position_steps, *p.size_px});
  }
  if (!std::isfinite(options.start_steps)) {
    return fail(ErrorCode::invalid_argument, "the start is not a number", "Give a position");
  }
  return advice::advise(
      {taken, conditions, *valid, options, advice::shape_of(conditions.size, *valid)});
}

}  // namespace starwaist
