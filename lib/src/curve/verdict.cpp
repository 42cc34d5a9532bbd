#include "curve/verdict.h"

#include <algorithm>
#include <cmath>

#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::curve {
namespace {

// A broken rule: what it lowers the verdict to, and why.
struct BrokenRule {
  Verdict verdict;
  Statement reason;
};

std::string number(double value, std::optional<double> sigma = std::nullopt) {
  return format_like_sigma(value, sigma);
}

double range_steps(const VerdictFacts& f) {
  return f.highest_position_steps - f.lowest_position_steps;
}

double largest_rise(const VerdictFacts& f) {
  return std::max(f.size_at_lowest_px, f.size_at_highest_px) - f.smallest_size_px;
}

bool outside_range(const VerdictFacts& f) {
  return !(*f.best_focus_steps >= f.lowest_position_steps &&
           *f.best_focus_steps <= f.highest_position_steps);
}

std::optional<BrokenRule> too_few(const VerdictFacts& f) {
  if (f.used_points >= VerdictRules::kFewestPoints && f.used_positions >= 3) return std::nullopt;
  if (f.used_points < VerdictRules::kFewestPoints) {
    return BrokenRule{Verdict::unusable,
                      {codes::few_points, "only " + count_of(f.used_points, "usable point") + "; " +
                                              std::to_string(VerdictRules::kFewestPoints) +
                                              " are the least that a curve can be fitted to"}};
  }
  return BrokenRule{Verdict::unusable,
                    {codes::few_positions, "the points lie at only " +
                                               count_of(f.used_positions, "focuser position") +
                                               "; at least 3 different ones are needed"}};
}

// The interval as far as numbers mean something: no end is farther than three ranges from the
// sweep. One beyond it on its own side bounds nothing; one on the other side is moved nearer.
Interval interval_near_sweep(const VerdictFacts& f) {
  constexpr double kFarthestRanges = 3;
  const double lowest = f.lowest_position_steps - kFarthestRanges * range_steps(f);
  const double highest = f.highest_position_steps + kFarthestRanges * range_steps(f);
  Interval near = f.interval_95_steps;
  if (near.low && *near.low < lowest) near.low.reset();
  if (near.high && *near.high > highest) near.high.reset();
  if (near.low) near.low = std::min(*near.low, highest);
  if (near.high) near.high = std::max(*near.high, lowest);
  return near;
}

Statement why_not_located(const VerdictFacts& f) {
  const char* code = codes::minimum_not_bounded;
  std::string why = "no minimum located: ";
  const Interval near = interval_near_sweep(f);
  if (f.largest_seen_px > 0 && f.largest_seen_px == f.smallest_seen_px) {
    code = codes::sizes_all_equal;
    why += "every size is " + number(f.smallest_seen_px) +
           " px; did the focuser move, and are the sizes measured at each position?";
  } else if (f.noise_px > 0 && largest_rise(f) < VerdictRules::kRiseOverNoise * f.noise_px) {
    code = codes::scatter_hides_minimum;
    why += "the sizes lie between " + number(f.smallest_seen_px) + " and " +
           number(f.largest_seen_px) + " px, and scatter by " + number(f.noise_px) +
           " px about the best curve; widen the sweep";
  } else if (near.bounded()) {
    code = codes::minimum_mostly_outside;
    why += "best focus may lie anywhere from " + number(*near.low, range_steps(f) / 20) + " to " +
           number(*near.high, range_steps(f) / 20) +
           " steps, most of it outside the sampled range (" +
           number(f.lowest_position_steps, range_steps(f) / 20) + " to " +
           number(f.highest_position_steps, range_steps(f) / 20) + ")";
  } else if (near.low) {
    code = codes::minimum_at_larger_positions;
    why += "best focus may lie anywhere above " + number(*near.low, range_steps(f) / 20) +
           " steps; sample larger positions";
  } else if (near.high) {
    code = codes::minimum_at_smaller_positions;
    why += "best focus may lie anywhere below " + number(*near.high, range_steps(f) / 20) +
           " steps; sample smaller positions";
  } else {
    why += "the " + count_of(f.used_points, "usable point") +
           " do not bound best focus on either side";
  }
  return {code, why};
}

std::optional<BrokenRule> no_minimum(const VerdictFacts& f) {
  if (f.peaks_inside) {
    return BrokenRule{
        Verdict::unusable,
        {codes::sizes_peak_inside,
         "the sizes are largest inside the range (" + number(f.largest_seen_px) +
             " px) and fall towards both ends, as no focus curve does; are positions and sizes "
             "in the right columns?"}};
  }
  if (f.best_focus_steps) return std::nullopt;
  return BrokenRule{Verdict::unusable, why_not_located(f)};
}

std::optional<BrokenRule> few_to_check(const VerdictFacts& f) {
  if (f.used_points < VerdictRules::kTrustedPoints) {
    return BrokenRule{
        Verdict::doubtful,
        {codes::few_points_to_check, "only " + count_of(f.used_points, "usable point") + ": " +
                                         std::to_string(VerdictRules::kTrustedPoints) +
                                         " are needed to check the curve and not only to draw it"}};
  }
  if (f.used_positions < VerdictRules::kTrustedPositions) {
    return BrokenRule{
        Verdict::doubtful,
        {codes::few_positions_to_check,
         "only " + count_of(f.used_positions, "different position") + ": at least " +
             std::to_string(VerdictRules::kTrustedPositions) + " are needed to check the curve"}};
  }
  return std::nullopt;
}

std::optional<BrokenRule> many_rejected(const VerdictFacts& f) {
  if (3 * f.rejected_points > f.used_points + f.rejected_points) {
    return BrokenRule{
        Verdict::doubtful,
        {codes::many_points_rejected, std::to_string(f.rejected_points) + " of " +
                                          std::to_string(f.used_points + f.rejected_points) +
                                          " points do not fit the others"}};
  }
  return std::nullopt;
}

std::optional<BrokenRule> outside_the_range(const VerdictFacts& f) {
  if (!outside_range(f)) return std::nullopt;
  const double best = *f.best_focus_steps;
  const bool above = best > f.highest_position_steps;
  const double edge = above ? f.highest_position_steps : f.lowest_position_steps;
  const bool far = std::abs(best - edge) > 0.25 * range_steps(f);
  return BrokenRule{
      far ? Verdict::unusable : Verdict::doubtful,
      {codes::best_focus_outside_range,
       "best focus " + number(best, range_steps(f) / 20) + " lies outside the sampled range (" +
           number(f.lowest_position_steps, range_steps(f) / 20) + " to " +
           number(f.highest_position_steps, range_steps(f) / 20) + "); sample " +
           (above ? "larger" : "smaller") + " positions"}};
}

std::optional<BrokenRule> one_sided(const VerdictFacts& f) {
  if (outside_range(f)) return std::nullopt;
  const int fewest = std::min(f.points_below, f.points_above);
  if (fewest >= VerdictRules::kPointsPerSide) return std::nullopt;
  return BrokenRule{
      Verdict::doubtful,
      {codes::few_points_on_one_side,
       "only " + count_of(fewest, "usable point") + " at positions " +
           (f.points_below < f.points_above ? "below" : "above") + " best focus; " +
           std::to_string(VerdictRules::kPointsPerSide) + " are needed on each side"}};
}

std::optional<BrokenRule> too_flat(const VerdictFacts& f) {
  if (outside_range(f)) return std::nullopt;
  const double least = std::max(VerdictRules::kRiseOverNoise * f.noise_px,
                                VerdictRules::kRiseOverSmallest * f.smallest_size_px);
  const double rise = std::min(f.size_at_lowest_px, f.size_at_highest_px) - f.smallest_size_px;
  if (rise >= least) return std::nullopt;
  return BrokenRule{
      Verdict::doubtful,
      {codes::curve_too_flat,
       "towards " + std::string(f.size_at_lowest_px < f.size_at_highest_px ? "smaller" : "larger") +
           " positions the curve rises by only " + number(rise) + " px above its smallest " +
           number(f.smallest_size_px) + " px, with a noise of " + number(f.noise_px) +
           " px; widen the sweep"}};
}

std::optional<BrokenRule> too_wide(const VerdictFacts& f) {
  const double core =
      std::min(f.core_width_steps.value_or(0.5 * range_steps(f)), 0.5 * range_steps(f));
  double allowed = VerdictRules::kHalfWidthOverCore * core;
  std::string against = "a third of the curve's own width (" + number(core) + " steps)";
  if (f.zone_steps && 0.5 * *f.zone_steps > allowed) {
    allowed = 0.5 * *f.zone_steps;
    against = "half of the critical focus zone (" + number(*f.zone_steps) + " steps)";
  }
  Statement how;
  double half_width = 0;
  const Interval& interval = f.interval_95_steps;
  const Interval near = interval_near_sweep(f);
  if (interval.bounded()) {
    half_width = 0.5 * (*interval.high - *interval.low);
    if (half_width <= allowed) return std::nullopt;
    how = {codes::interval_too_wide, "best focus is uncertain by +-" + number(half_width) +
                                         " steps (95 % interval), more than " + against};
  } else {
    half_width = 0.5 * range_steps(f);
    how = {codes::interval_open,
           "best focus is known to one sigma only" +
               (f.sigma_steps ? " (+-" + number(*f.sigma_steps) + " steps)" : "") +
               ", the 95 % interval is open " +
               (near.low    ? "above " + number(*near.low) + " steps; sample larger positions"
                : near.high ? "below " + number(*near.high) + " steps; sample smaller positions"
                            : "on both sides; sample more positions near it and beyond")};
  }
  // Two sigmas, not the 95 % interval: with two degrees of freedom that is four sigmas wide and
  // says more about what is not known of the noise than about best focus.
  const double spread = f.sigma_steps ? 2 * *f.sigma_steps : half_width;
  const double nothing_learnt = VerdictRules::kHalfWidthOverRange * range_steps(f);
  return BrokenRule{spread > std::max({core, 2 * allowed, nothing_learnt}) ? Verdict::unusable
                                                                           : Verdict::doubtful,
                    how};
}

std::optional<BrokenRule> impossible_slope(const VerdictFacts& f) {
  if (!f.slope_px_per_step || !f.expected_slope_px_per_step) return std::nullopt;
  const double ratio = *f.slope_px_per_step / *f.expected_slope_px_per_step;
  if (ratio < VerdictRules::kSlopeFactor && ratio > 1 / VerdictRules::kSlopeFactor)
    return std::nullopt;
  return BrokenRule{
      Verdict::doubtful,
      {codes::slope_against_rig,
       "the arms rise by " + number(*f.slope_px_per_step) + " px per step, " + number(ratio) +
           " times what the rig gives (" + number(*f.expected_slope_px_per_step) +
           "): the given um per step, the binning (pixel size) or the f-number is wrong, or the "
           "focuser did not move as told"}};
}

std::optional<BrokenRule> by_parabola(const VerdictFacts& f) {
  if (!f.parabola_answers) return std::nullopt;
  return BrokenRule{
      Verdict::doubtful,
      {codes::rests_on_parabola,
       "the answer rests on the parabola, which follows the curve only near its minimum and is "
       "pulled to the side where more was sampled"}};
}

}  // namespace

Judgement judge(const VerdictFacts& facts) {
  Judgement judgement;
  const auto take = [&judgement](const std::optional<BrokenRule>& broken) {
    if (!broken) return false;
    judgement.verdict = std::max(judgement.verdict, broken->verdict);
    judgement.reasons.push_back(broken->reason);
    return true;
  };
  // Without points or a minimum the other rules have nothing to look at.
  if (take(too_few(facts)) || take(no_minimum(facts))) return judgement;
  for (const auto rule : {few_to_check, many_rejected, outside_the_range, one_sided, too_flat,
                          too_wide, impossible_slope, by_parabola}) {
    take(rule(facts));
  }
  return judgement;
}

}  // namespace starwaist::curve
