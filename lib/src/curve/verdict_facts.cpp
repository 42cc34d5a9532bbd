#include "curve/verdict_facts.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "curve/model_answer.h"

namespace starwaist::curve {
namespace {

// A parabola that explains the sizes, is open downwards and has its top in the middle half of the
// range (a one-sided arm bends a little too).
bool has_peak(const ModelFit& fit, double low_steps, double high_steps) {
  if (!std::holds_alternative<ParabolaCurve>(fit.parameters)) return false;
  constexpr double kExplained = 0.8;
  const double quarter = 0.25 * (high_steps - low_steps);
  const double middle = 0.5 * (low_steps + high_steps);
  const double top = *curve_size_px(fit, middle);
  return fit.r_squared.value_or(0) > kExplained && top > *curve_size_px(fit, middle - quarter) &&
         top > *curve_size_px(fit, middle + quarter) && top > *curve_size_px(fit, low_steps) &&
         top > *curve_size_px(fit, high_steps);
}

// What was seen: counts, and the ends of positions and sizes.
VerdictFacts seen_facts(const RunPoints& run, const std::vector<bool>& used,
                        const std::vector<CurvePoint>& points) {
  VerdictFacts facts;
  facts.used_positions = distinct_positions(run.samples, used);
  bool first = true;
  for (std::size_t i = 0; i < used.size(); ++i) {
    if (!used[i]) {
      ++facts.rejected_points;
      continue;
    }
    ++facts.used_points;
    const double position = points[run.point_of_sample[i]].position_steps;
    const double size = *points[run.point_of_sample[i]].size_px;
    if (first) {
      facts.lowest_position_steps = facts.highest_position_steps = position;
      facts.smallest_seen_px = facts.largest_seen_px = size;
    }
    first = false;
    facts.smallest_seen_px = std::min(facts.smallest_seen_px, size);
    facts.largest_seen_px = std::max(facts.largest_seen_px, size);
    facts.lowest_position_steps = std::min(facts.lowest_position_steps, position);
    facts.highest_position_steps = std::max(facts.highest_position_steps, position);
  }
  return facts;
}

// Points on the two sides of best focus.
void count_sides(const RunPoints& run, const std::vector<bool>& used, const FitResult& result,
                 VerdictFacts& facts) {
  for (std::size_t i = 0; i < used.size(); ++i) {
    if (!used[i]) continue;
    const double position = result.points[run.point_of_sample[i]].position_steps;
    facts.points_below += position < *result.best_focus_steps ? 1 : 0;
    facts.points_above += position > *result.best_focus_steps ? 1 : 0;
  }
}

// Root mean square of the used points about the curve, for its free parameters.
double noise_about(const ModelFit& shown, const RunPoints& run, const std::vector<bool>& used,
                   const std::vector<CurvePoint>& points) {
  double squares = 0;
  int count = 0;
  for (std::size_t i = 0; i < used.size(); ++i) {
    if (!used[i]) continue;
    const CurvePoint& p = points[run.point_of_sample[i]];
    squares += std::pow(*p.size_px - *curve_size_px(shown, p.position_steps), 2);
    ++count;
  }
  return std::sqrt(squares / std::max(1, count - kModelParameters));
}

}  // namespace

VerdictFacts facts_of(const RunPoints& run, const std::vector<bool>& used, const FitResult& result,
                      const Rig& rig) {
  VerdictFacts facts = seen_facts(run, used, result.points);
  facts.best_focus_steps = result.best_focus_steps;
  facts.sigma_steps = result.best_focus_sigma_steps;
  facts.interval_95_steps = result.interval_95_steps;
  facts.zone_steps = result.critical_focus_zone_steps;
  if (result.best_focus_steps) count_sides(run, used, result, facts);
  facts.peaks_inside =
      std::any_of(result.models.begin(), result.models.end(), [&facts](const ModelFit& fit) {
        return has_peak(fit, facts.lowest_position_steps, facts.highest_position_steps);
      });
  const ModelFit* shown = chosen_model(result);
  if (shown == nullptr || std::holds_alternative<std::monostate>(shown->parameters)) return facts;
  facts.smallest_size_px = shown->min_size_px.value_or(run.samples.size_unit_px);
  facts.size_at_lowest_px = *curve_size_px(*shown, facts.lowest_position_steps);
  facts.size_at_highest_px = *curve_size_px(*shown, facts.highest_position_steps);
  facts.noise_px = noise_about(*shown, run, used, result.points);
  if (shown->slope_px_per_step) {
    facts.core_width_steps = facts.smallest_size_px / *shown->slope_px_per_step;
    facts.slope_px_per_step = shown->slope_px_per_step;
  }
  if (result.size_measure == SizeMeasure::hfr) {
    facts.expected_slope_px_per_step = arm_slope_px_per_step(rig);
  }
  facts.parabola_answers = shown->model == CurveModel::parabola;
  return facts;
}

void judge_fit(const RunPoints& run, const std::vector<bool>& used, const Rig& rig,
               FitResult& result) {
  Judgement judgement = judge(facts_of(run, used, result, rig));
  result.verdict = judgement.verdict;
  result.reasons = std::move(judgement.reasons);
}

}  // namespace starwaist::curve
