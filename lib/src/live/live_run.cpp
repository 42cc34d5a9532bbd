#include <algorithm>
#include <utility>

#include "run/follow_stars.h"
#include "run/record_frames.h"
#include "starwaist/codes.h"
#include "starwaist/live.h"

namespace starwaist {
namespace {

bool same_exposure(const MeasuredFrame& a, const MeasuredFrame& b) {
  return a.measurement.file == b.measurement.file && a.facts.time_utc == b.facts.time_utc &&
         a.facts.position_steps == b.facts.position_steps;
}

// The curve to plan the next frame by: the earlier run's, the optics', or that of the points.
Result<ObservingConditions> conditions_of(const LiveRunOptions& options, const RunRecord& record) {
  if (options.conditions) return *options.conditions;
  auto of_points = conditions_from_runs(std::span(&record.fit, 1), record.rig);
  if (of_points) return of_points;
  return conditions_from_optics(record.rig);
}

}  // namespace

LiveRun::LiveRun(LiveRunOptions options) : options_(std::move(options)) {
  options_.run.follow = false;  // over all frames, once the newest is among them
  options_.run.sky = true;
  so_far_.rig = options_.run.rig;
}

Result<WatchAnswer> LiveRun::add(const std::string& path) {
  MeasuredRun with = so_far_;
  auto taken = measure_run({path}, options_.run);
  if (!taken) return tl::unexpected<Error>(taken.error());
  const MeasuredFrame& newest = taken->frames.front();
  const auto before =
      std::find_if(with.frames.begin(), with.frames.end(),
                   [&](const MeasuredFrame& known) { return same_exposure(known, newest); });
  if (before != with.frames.end()) {
    *before = newest;
  } else {
    with.frames.push_back(newest);
  }
  with.rig = completed(with.rig, taken->rig);
  MeasuredRun followed = with;
  if (auto done = run_detail::follow_stars(followed.frames, options_.run); !done) {
    return tl::unexpected<Error>(done.error());
  }
  const auto recorded = run_detail::record_frames(std::move(followed), options_.run);
  if (!recorded) return tl::unexpected<Error>(recorded.error());
  if (!recorded->skipped.empty()) {
    const SkippedFile& without = recorded->skipped.front();
    return fail(ErrorCode::no_data, without.file + ": " + without.reason);
  }
  so_far_ = std::move(with);

  judged_ = answer_of(*recorded);
  const FitResult& fit = judged_.fit;
  WatchAnswer answer;
  answer.file = newest.measurement.file;
  answer.position_steps = *newest.facts.position_steps;
  answer.frames = static_cast<int>(fit.points.size());
  answer.best_focus_steps = fit.best_focus_steps;
  answer.best_focus_sigma_steps = fit.best_focus_sigma_steps;
  answer.interval_95_steps = fit.interval_95_steps;
  answer.verdict = fit.verdict;
  answer.reasons = fit.reasons;
  answer.approach = fit.approach;
  answer.move = judged_.move;
  for (const CurvePoint& point : fit.points) {
    if (point.file == answer.file && point.position_steps == answer.position_steps) {
      answer.size_px = point.size_px;
    }
  }
  const auto conditions = conditions_of(options_, recorded->record);
  if (!conditions) {
    answer.advice = {codes::next_not_yet_known,
                     "The next position cannot be told yet: " + conditions.error().text()};
    return answer;
  }
  const auto next = next_sample(fit.points, *conditions, recorded->record.rig, options_.next);
  if (!next) {
    answer.advice = {codes::next_not_known,
                     "The next position cannot be told: " + next.error().text()};
    return answer;
  }
  answer.next_position_steps = next->next_position_steps;
  answer.enough = next->enough;
  answer.advice = next->reason;
  return answer;
}

}  // namespace starwaist
