#include "starwaist/backlash.h"

#include <algorithm>

#include "advice/slack_answer.h"
#include "advice/slack_posterior.h"
#include "advice/slack_verdict.h"
#include "advice/steps_text.h"
#include "advice/sweep_data.h"
#include "starwaist/codes.h"

namespace starwaist {
namespace advice {
namespace {

BacklashResult measure(const SweepData& data, const Rig& rig, const BacklashOptions& options) {
  const SweepFacts facts = facts_of(data, rig);
  const FinalDirection final = final_direction(options);
  SlackAnswer answer;
  const auto begin = [&](BacklashResult& result) {
    result.verdict = Verdict::trusted;
    result.final_direction = final.direction;
    if (final.remark) add(result, *final.remark);
  };
  if (const auto lack = not_enough(data, facts)) {
    begin(answer.result);
    add(answer.result, *lack);
    return answer.result;
  }
  const auto posterior = estimate_slack(data, slack_model(data, rig, drift_prior(facts)));
  if (!posterior) {
    begin(answer.result);
    answer.result.drift_identified = facts.drift_identified;
    add(answer.result,
        {Verdict::unusable, {codes::no_curve_fits, "no focus curve fits the points"}});
    return answer.result;
  }
  answer = answer_slack(data, facts, *posterior);
  begin(answer.result);
  return judge_slack(answer, {data, facts, *posterior, rig, options});
}

struct Remaining {
  std::optional<double> steps;
  std::optional<Interval> interval_95_steps;
};

// Dead travel at the beginning of a run in one direction.
Remaining dead_travel_left(const SweepData& data, const Rig& rig) {
  constexpr double kNoticeable = 0.02;  // half ranges
  const auto posterior = estimate_slack(data, takeup_model(data, rig));
  if (!posterior) return {};
  const double unit = data.scale.half_range_steps;
  // A one-sided question: dead travel is not negative, and its mass may lie at 0.
  Interval interval{std::max(0.0, posterior->quantile(0.05) * unit),
                    std::max(0.0, posterior->quantile(0.95) * unit)};
  const bool seen = posterior->quantile(0.025) * unit > kNoticeable * unit;
  if (!seen) interval.low = 0;
  return {seen ? std::max(0.0, posterior->quantile(0.5) * unit) : 0.0, interval};
}

Remaining remaining_slack(const SweepData& data, const Rig& rig) {
  const SweepFacts facts = facts_of(data, rig);
  if (facts.fewest_in_direction() > 2) {
    const BacklashResult again = measure(data, rig, {});
    if (!again.backlash_steps) return {};
    return {again.backlash_steps, again.interval_95_steps};
  }
  if (data.samples.count() < static_cast<std::size_t>(VerdictRules::kTrustedPoints)) return {};
  return dead_travel_left(data, rig);
}

Statement remark_on(const Remaining& remaining) {
  if (!remaining.steps)
    return {codes::remaining_slack_unknown,
            "the run taken with take-up does not show what slack is left"};
  const Interval& interval = *remaining.interval_95_steps;
  const std::string upper = interval.high ? ", at most " + steps_text(*interval.high) : "";
  if (interval.low.value_or(0) > 0) {
    return {codes::slack_remains,
            "slack is left with the take-up: " + steps_text(*remaining.steps) + " steps" + upper +
                "; go farther past the target"};
  }
  return {codes::takeup_works, "the take-up works: no slack is seen" + upper + " steps"};
}

}  // namespace
}  // namespace advice

Result<BacklashResult> measure_backlash(std::span<const SweepRecord> records, const Rig& rig,
                                        const BacklashOptions& options) {
  const auto data = advice::collect_sweeps(records, rig);
  if (!data) return tl::unexpected<Error>(data.error());
  return advice::measure(*data, rig, options);
}

Result<void> verify_takeup(std::span<const SweepRecord> later, const Rig& rig,
                           BacklashResult& result) {
  const auto data = advice::collect_sweeps(later, rig);
  if (!data) return tl::unexpected<Error>(data.error());
  const advice::Remaining remaining = advice::remaining_slack(*data, rig);
  result.remaining_steps = remaining.steps;
  result.remaining_interval_95_steps = remaining.interval_95_steps;
  result.notes.push_back(advice::remark_on(remaining));
  return {};
}

}  // namespace starwaist
