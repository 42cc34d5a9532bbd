#include "advice/slack_verdict.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "advice/steps_text.h"
#include "starwaist/codes.h"
#include "starwaist/numbers.h"

namespace starwaist::advice {
namespace {

constexpr double kTemperatureChange = 0.3;  // degrees between sweeps that deserve a word
constexpr double kClear = 0.8;              // share of the posterior that decides a remark

Remark doubt(const char* code, const std::string& text) {
  return {Verdict::doubtful, {code, text}};
}
Remark note(const char* code, const std::string& text) { return {Verdict::trusted, {code, text}}; }

std::optional<Remark> about_width(const SlackAnswer& answer, const SweepFacts& facts) {
  const Interval& interval = answer.result.interval_95_steps;
  // With slack not below 0, half of the part that counts.
  const double half_width = 0.5 * (*interval.high - std::min(*interval.low, *interval.high));
  const double allowed =
      std::max({facts.half_zone_steps.value_or(0), BacklashRules::kCoreShare * answer.core_steps,
                BacklashRules::kSlackShare * *answer.result.backlash_steps});
  if (half_width <= allowed) return std::nullopt;
  return doubt(codes::slack_known_roughly,
               "the slack is uncertain by ±" + steps_text(half_width) +
                   " steps (95 % interval); more points, or a sweep more, narrow it");
}

std::optional<Remark> about_rejected(int rejected, std::size_t points) {
  if (3 * rejected > static_cast<int>(points)) {
    return doubt(codes::many_points_rejected, std::to_string(rejected) + " of " +
                                                  std::to_string(points) +
                                                  " points do not fit the others");
  }
  if (rejected == 0) return std::nullopt;
  return note(codes::some_points_off,
              std::to_string(rejected) + (rejected == 1
                                              ? " point does not fit the others and was left out"
                                              : " points do not fit the others and were left out"));
}

// Mean of the last sweep less that of the first.
std::optional<double> temperature_change(const SweepData& data) {
  if (data.segments.size() < 2) return std::nullopt;
  const auto mean = [&](const Segment& segment) -> std::optional<double> {
    double sum = 0;
    for (const std::size_t i : segment.points) {
      if (!data.temperature_c[i]) return std::nullopt;
      sum += *data.temperature_c[i] / static_cast<double>(segment.points.size());
    }
    return sum;
  };
  const auto first = mean(data.segments.front());
  const auto last = mean(data.segments.back());
  if (!first || !last) return std::nullopt;
  return *last - *first;
}

std::optional<Remark> about_drift(const SlackCase& slack) {
  if (slack.facts.drift_identified) return std::nullopt;
  const double half_zone_steps = slack.facts.half_zone_steps.value_or(
      slack.facts.half_zone_scaled * slack.data.scale.half_range_steps);
  const double allowance = 2 * BacklashRules::kTwoSweepDrift * half_zone_steps;
  const std::string words =
      "two sweeps cannot tell slack from a drift of focus between them: the interval allows for "
      "a drift of ±" +
      steps_text(allowance) +
      " steps, and each step of drift beyond that is a step of error; a third sweep (in, out, in) "
      "tells them apart";
  const auto change = temperature_change(slack.data);
  if (change && std::abs(*change) > kTemperatureChange && !slack.rig.focus_um_per_c) {
    return doubt(codes::temperature_changed, "the temperature changed by " +
                                                 format_fixed(*change, 1) +
                                                 " C between the sweeps, and " + words);
  }
  return note(codes::drift_not_separable, words);
}

double takeup_of(double slack_steps, double upper_end_steps) {
  constexpr double kRound = 5;
  const double takeup =
      std::max(BacklashRules::kTakeupFactor * slack_steps,
               BacklashRules::kTakeupOverUpperEnd * std::max(0.0, upper_end_steps));
  return takeup > 4 * kRound ? kRound * std::ceil(takeup / kRound) : std::ceil(takeup);
}

// Best focus moving outward less that moving inward, by the sweeps' own sigmas.
struct Difference {
  double steps;
  double sigma_steps;
  [[nodiscard]] bool clear() const {
    constexpr double kClearlyDiffer = 3;  // sigmas
    return std::abs(steps) > kClearlyDiffer * sigma_steps;
  }
};

std::optional<Difference> by_direction(const BacklashResult& result) {
  std::map<Direction, std::pair<double, double>> sums;  // weighed positions and weights
  for (const SweepSlack& sweep : result.sweeps) {
    if (!sweep.best_focus_steps || !sweep.sigma_steps || !(*sweep.sigma_steps > 0)) continue;
    const double weight = 1 / (*sweep.sigma_steps * *sweep.sigma_steps);
    auto& [sum, weights] = sums[sweep.direction];
    sum += weight * *sweep.best_focus_steps;
    weights += weight;
  }
  if (sums.size() < 2) return std::nullopt;
  const auto& [out, out_weights] = sums[Direction::outward];
  const auto& [in, in_weights] = sums[Direction::inward];
  return Difference{out / out_weights - in / in_weights,
                    std::sqrt(1 / out_weights + 1 / in_weights)};
}

// What is said of sweeps whose interval holds no slack.
Remark about_none(const BacklashResult& result) {
  const auto differ = by_direction(result);
  if (differ && differ->clear()) {
    return note(codes::slack_or_drift,
                "best focus differs by " + steps_text(differ->steps) + " ± " +
                    steps_text(differ->sigma_steps) +
                    " steps between the directions: slack, or a drift of focus between the sweeps; "
                    "a third sweep (in, out, in) distinguishes them");
  }
  return note(
      codes::no_slack_found,
      "no slack was found: it is smaller than its own error, at most " +
          steps_text(*result.interval_95_steps.high) +
          " steps. Either there is none, or both sweeps were already taken with take-up (the "
          "capture program's own compensation): switch that off and sweep again to be sure");
}

bool shows_dead_travel(const BacklashResult& result) {
  return std::any_of(result.sweeps.begin(), result.sweeps.end(), [](const SweepSlack& sweep) {
    return sweep.slack_steps && *sweep.slack_steps > 0;
  });
}

// Whether there is slack, and of which kind.
std::optional<Remark> about_kind(const SlackAnswer& answer, const SlackPosterior& posterior) {
  if (!answer.result.slack_found) {
    if (answer.wrong_way) return std::nullopt;
    return about_none(answer.result);
  }
  const double jumps =
      posterior.share([&](const GridPoint& g) { return posterior.hypotheses[g.hypothesis].jumps; });
  if (jumps > kClear) {
    return note(
        codes::focus_jumped_at_reversal,
        "after the reversal the focus jumped at once instead of standing still first: that is a "
        "shifting mirror, or a take-up move that was not recorded, rather than slack that the "
        "frames show being taken up");
  }
  const double taken_up = posterior.share([&](const GridPoint& g) {
    const auto& beginnings = posterior.hypotheses[g.hypothesis].beginnings;
    return std::all_of(beginnings.begin(), beginnings.end(),
                       [](Beginning b) { return b == Beginning::taken_up; });
  });
  if (taken_up > kClear && !shows_dead_travel(answer.result)) {
    return note(
        codes::no_dead_travel_seen,
        "no sweep shows dead travel at its beginning: each seems to have begun with the slack "
        "taken up, or the focus shifts with the direction (a shifting mirror)");
  }
  return std::nullopt;
}

// Where the last move in a direction begins, and where it ends.
struct LastMove {
  double turn_steps;
  double end_steps;
};

// Absent where no sweep shows it.
std::optional<LastMove> last_move(const BacklashResult& result, Direction direction) {
  for (auto sweep = result.sweeps.rbegin(); sweep != result.sweeps.rend(); ++sweep) {
    if (sweep->direction != direction || !sweep->best_focus_steps) continue;
    const double past = direction == Direction::inward ? 1 : -1;
    return LastMove{*sweep->best_focus_steps + past * *result.takeup_steps,
                    *sweep->best_focus_steps};
  }
  return std::nullopt;
}

bool within_limits(const LastMove& move, const Rig& rig) {
  const auto [low, high] = std::minmax(move.turn_steps, move.end_steps);
  return !(rig.max_position_steps && high > *rig.max_position_steps) &&
         !(rig.min_position_steps && low < *rig.min_position_steps);
}

// The other final direction where only that leaves room for the take-up and nobody asked for this
// one; else a doubt.
void keep_within_limits(BacklashResult& result, const SlackCase& slack) {
  const Direction chosen = result.final_direction;
  const Direction other = chosen == Direction::inward ? Direction::outward : Direction::inward;
  const auto move = last_move(result, chosen);
  if (!move || within_limits(*move, slack.rig)) return;
  const auto instead = last_move(result, other);
  const bool room = instead && within_limits(*instead, slack.rig);
  const bool asked = slack.options.final_direction || slack.options.lifting;
  if (!asked && room) {
    result.final_direction = other;
    // In place of the remark on a direction that nobody asked for, the first one.
    result.notes.front() = {
        codes::direction_by_limits,
        "final direction: " + enum_name(other) +
            ", because the take-up for the other one would go to " + steps_text(move->turn_steps) +
            " steps, beyond the focuser's limits; keep to it in the capture program"};
    return;
  }
  add(result, doubt(codes::takeup_beyond_limits,
                    "the take-up would go to " + steps_text(move->turn_steps) +
                        " steps, beyond the focuser's limits: " +
                        (asked && room ? "approach from the other side"
                                       : "move the camera along the tube, or correct the limits")));
}

}  // namespace

void add(BacklashResult& result, const Remark& remark) {
  if (remark.verdict == Verdict::trusted) {
    result.notes.push_back(remark.statement);
    return;
  }
  result.verdict = std::max(result.verdict, remark.verdict);
  result.reasons.push_back(remark.statement);
}

FinalDirection final_direction(const BacklashOptions& options) {
  if (options.final_direction) return {*options.final_direction, std::nullopt};
  if (!options.lifting) {
    return {Direction::inward,
            note(codes::direction_by_practice,
                 "final direction: inward is right where the camera hangs below its focuser, so "
                 "that the last move lifts it (common practice; --lifts says otherwise); keep to "
                 "one direction in the capture program")};
  }
  constexpr double kLowestPull = 15;  // degrees of altitude below which gravity hardly pulls
  const double altitude = options.altitude_deg.value_or(90);
  FinalDirection final{*options.lifting, std::nullopt};
  if (altitude < 0) {
    final.direction = final.direction == Direction::inward ? Direction::outward : Direction::inward;
  }
  if (std::abs(altitude) < kLowestPull) {
    final.remark =
        note(codes::direction_free,
             "so low in the sky gravity hardly pulls along the tube: either final direction will "
             "do, but keep to one");
  }
  return final;
}

std::optional<Remark> not_enough(const SweepData& data, const SweepFacts& facts) {
  const std::size_t points = data.samples.count();
  if (points == 0) return Remark{Verdict::unusable, {codes::no_usable_point, "no usable point"}};
  if (facts.fewest_in_direction() < 2) {
    const bool outward = facts.outward_points > facts.inward_points;
    return Remark{
        Verdict::unusable,
        {codes::one_direction_only,
         "all points were taken moving " +
             enum_name(outward ? Direction::outward : Direction::inward) +
             "; slack shows only between opposite directions: sweep back over the same range"}};
  }
  if (points < static_cast<std::size_t>(BacklashRules::kFewestPoints)) {
    return Remark{Verdict::unusable,
                  {codes::few_points_for_slack,
                   "only " + std::to_string(points) + " usable points; " +
                       std::to_string(BacklashRules::kFewestPoints) + " are the least"}};
  }
  return std::nullopt;
}

BacklashResult judge_slack(const SlackAnswer& answer, const SlackCase& slack) {
  BacklashResult result = answer.result;
  if (!result.interval_95_steps.high) {
    add(result, {Verdict::unusable,
                 {codes::slack_not_bounded,
                  "the slack may be as large as the sweeps themselves: sweep over a wider range"}});
    result.backlash_steps.reset();
    return result;
  }
  if (answer.wrong_way) {
    add(result,
        doubt(codes::slack_wrong_way,
              "moving outward, best focus came at smaller positions than moving inward: slack "
              "cannot do that; focus drifted between the sweeps, or the inputs are not in the "
              "order taken"));
  }
  if (const auto remark = about_width(answer, slack.facts)) add(result, *remark);
  if (slack.facts.fewest_in_direction() < BacklashRules::kPointsPerDirection) {
    add(result, doubt(codes::few_points_in_direction,
                      "only " + std::to_string(slack.facts.fewest_in_direction()) +
                          " points in one of the directions; " +
                          std::to_string(BacklashRules::kPointsPerDirection) + " are needed"));
  }
  const std::size_t points = slack.data.samples.count();
  if (const auto remark = about_rejected(slack.posterior.rejected, points)) add(result, *remark);
  if (const auto remark = about_drift(slack)) add(result, *remark);
  result.takeup_steps = takeup_of(*result.backlash_steps, *result.interval_95_steps.high);
  if (const auto remark = about_kind(answer, slack.posterior)) add(result, *remark);
  keep_within_limits(result, slack);
  if (const auto last = last_move(result, result.final_direction)) {
    Rig rig = slack.rig;
    rig.takeup_steps = result.takeup_steps;
    result.move = move_to(last->end_steps, result.final_direction, rig);
  }
  return result;
}

}  // namespace starwaist::advice
