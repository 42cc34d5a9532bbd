#include "advice/slack_answer.h"

#include <algorithm>
#include <cmath>

#include "starwaist/statistics.h"

namespace starwaist::advice {
namespace {

constexpr double kFreeDrift = 20;  // half zones over the record: as good as no prior
// Standard deviation of the slack, in B, from what the fitted shape with its lopsidedness and its
// stretch still leaves of curves by wave optics. Small: the arms of a sweep show its middle.
constexpr double kShapeError = 0.002;

// Sweeps of at least so many points, counted by their changes of direction.
int count_sweeps(const std::vector<Segment>& segments) {
  constexpr std::size_t kLeastPoints = 4;
  int sweeps = 0;
  int last = 0;
  for (const Segment& segment : segments) {
    if (segment.points.size() < kLeastPoints) continue;
    sweeps += segment.direction != last ? 1 : 0;
    last = segment.direction;
  }
  return sweeps;
}

// Mean and variance over the grid, each point with a variance of its own.
struct Moments {
  double mean = 0;
  double square = 0;
  void add(double weight, double value, double own_variance) {
    mean += weight * value;
    square += weight * (value * value + own_variance);
  }
  [[nodiscard]] double sigma() const { return std::sqrt(std::max(0.0, square - mean * mean)); }
};

double core_of(const SlackPosterior& posterior) {
  double core = 0;
  for (const GridPoint& g : posterior.points) {
    core += g.weight * std::exp(g.fit.parameters[kLnSize] - g.fit.parameters[kLnSlope]);
  }
  return core;
}

// Dead travel at a sweep's beginning, where one state there is clearly the likeliest.
std::optional<double> dead_travel(const SlackPosterior& posterior, const Segment& segment,
                                  double slack_steps) {
  constexpr double kClear = 0.8;
  const auto& hypotheses = posterior.hypotheses;
  if (!segment.begins_record) {
    const double jumps =
        posterior.share([&](const GridPoint& g) { return hypotheses[g.hypothesis].jumps; });
    if (jumps > kClear) return 0.0;
    return jumps < 1 - kClear ? std::optional(slack_steps) : std::nullopt;
  }
  const auto begins = [&](const GridPoint& g, Beginning b) {
    return hypotheses[g.hypothesis].beginnings[segment.record] == b;
  };
  const auto share = [&](Beginning b) {
    return posterior.share([&](const GridPoint& g) { return begins(g, b); });
  };
  if (share(Beginning::taken_up) > kClear) return 0.0;
  if (share(Beginning::untaken) > kClear) return slack_steps;
  const double between = share(Beginning::between);
  if (between > kClear) {
    double left = 0;  // of the slack, to be taken up
    for (const GridPoint& g : posterior.points) {
      if (!begins(g, Beginning::between)) continue;
      const double taken_up = std::clamp(g.fit.parameters[kTakenUp], 0.0, 1.0);
      left += g.weight * (1 - taken_up) / between;
    }
    return left * slack_steps;
  }
  return std::nullopt;
}

SweepSlack describe_sweep(const SweepData& data, const SlackPosterior& posterior,
                          const Segment& segment, double slack_steps) {
  SweepSlack sweep;
  sweep.direction = segment.direction > 0 ? Direction::outward : Direction::inward;
  double time = 0;
  for (const std::size_t i : segment.points) {
    sweep.points += posterior.point_weights[i] > 0 ? 1 : 0;
    time += data.samples.time[i] / static_cast<double>(segment.points.size());
  }
  Moments place;
  for (const GridPoint& g : posterior.points) {
    const double value = g.fit.parameters[kFocus] + time * g.fit.parameters[kDrift] +
                         (segment.direction > 0 ? g.width : 0.0);
    const double own = (g.fit.focus_variance + time * g.fit.focus_drift_covariance) +
                       time * (g.fit.focus_drift_covariance + time * g.fit.drift_variance);
    place.add(g.weight, value, posterior.variance * own);
  }
  sweep.best_focus_steps = data.scale.centre_steps + data.scale.half_range_steps * place.mean;
  sweep.sigma_steps = data.scale.half_range_steps * place.sigma();
  sweep.slack_steps = dead_travel(posterior, segment, slack_steps);
  return sweep;
}

void answer_drift(const SlackPosterior& posterior, double half_range_steps,
                  BacklashResult& result) {
  Moments drift;
  for (const GridPoint& g : posterior.points) {
    drift.add(g.weight, g.fit.parameters[kDrift], posterior.variance * g.fit.drift_variance);
  }
  result.drift_steps = drift.mean * half_range_steps;
  result.drift_sigma_steps = half_range_steps * drift.sigma();
}

}  // namespace

SweepFacts facts_of(const SweepData& data, const Rig& rig) {
  constexpr double kPartOfRange = 0.05;  // a sweep reaches some three B, the zone is some B / 6
  SweepFacts facts;
  for (const int d : data.samples.direction) {
    facts.outward_points += d > 0 ? 1 : 0;
    facts.inward_points += d < 0 ? 1 : 0;
  }
  facts.drift_identified = count_sweeps(data.segments) >= 3;
  facts.half_zone_scaled = kPartOfRange;
  if (const auto zone = critical_focus_zone_steps(rig)) {
    facts.half_zone_steps = 0.5 * *zone;
    facts.half_zone_scaled = 0.5 * *zone / data.scale.half_range_steps;
  }
  return facts;
}

double drift_prior(const SweepFacts& facts) {
  if (facts.drift_identified) return kFreeDrift * facts.half_zone_scaled;
  // The two sweeps' middles are half of the record apart.
  return 2 * BacklashRules::kTwoSweepDrift * facts.half_zone_scaled;
}

SlackAnswer answer_slack(const SweepData& data, const SweepFacts& facts,
                         const SlackPosterior& posterior) {
  SlackAnswer answer;
  BacklashResult& result = answer.result;
  const double unit = data.scale.half_range_steps;
  answer.core_steps = core_of(posterior) * unit;
  const double middle = posterior.quantile(0.5) * unit;
  // What the curve's shape is not known to adds to what the noise leaves open. An even drift
  // between two sweeps shows a little, in the slopes of the arms; but focus may have moved in a
  // pause, so that the interval is never narrower than the drift that is allowed for.
  const double drift =
      facts.drift_identified ? 0 : BacklashRules::kTwoSweepDrift * facts.half_zone_scaled * unit;
  const auto quantile = [&](double q) {
    const double z = normal_quantile(q);
    const double noise =
        std::hypot(posterior.quantile(q) * unit - middle, z * kShapeError * answer.core_steps);
    return middle + std::copysign(std::max(noise, std::abs(z) * drift), q - 0.5);
  };
  const double low = quantile(0.025);
  const double high = quantile(0.975);
  result.sigma_steps = 0.5 * (quantile(0.841345) - quantile(0.158655));
  // More than the interval asks: no slack is called slack in less than one of fifty.
  result.slack_found = quantile(0.01) > 0;
  result.rejected_points = posterior.rejected;
  result.drift_identified = facts.drift_identified;
  answer.wrong_way = high < 0;
  // Slack is not negative: an interval that holds 0 begins there.
  result.backlash_steps = answer.wrong_way ? middle : std::max(0.0, middle);
  result.interval_95_steps.low = answer.wrong_way || result.slack_found ? low : 0.0;
  if (!posterior.open_above) result.interval_95_steps.high = high;
  answer_drift(posterior, unit, result);
  for (const Segment& segment : data.segments) {
    constexpr std::size_t kLeastPointsShown = 3;
    if (segment.points.size() < kLeastPointsShown) continue;
    result.sweeps.push_back(describe_sweep(data, posterior, segment, *result.backlash_steps));
  }
  return answer;
}

}  // namespace starwaist::advice
