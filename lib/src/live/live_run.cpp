#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "curve/priors.h"
#include "live/search_state.h"
#include "run/follow_stars.h"
#include "run/record_frames.h"
#include "starwaist/codes.h"
#include "starwaist/live.h"
#include "starwaist/move.h"
#include "starwaist/rig.h"

namespace starwaist {
namespace {

bool same_exposure(const MeasuredFrame& a, const MeasuredFrame& b) {
  return a.measurement.file == b.measurement.file && a.facts.time_utc == b.facts.time_utc &&
         a.facts.position_steps == b.facts.position_steps;
}

// About the half-flux radius that rings of this radius have.
double size_of_rings_px(double radius_px, const Rig& rig) {
  return radius_px * annulus_half_flux_fraction(rig.obstruction.value_or(curve::kUsualObstruction));
}

SearchVisit visit_of(const FrameGroup& frames, const MeasuredFrame& frame, const FitResult& fit,
                     const Rig& rig) {
  SearchVisit visit;
  visit.position_steps = *frame.facts.position_steps;
  const FrameMeasurement& measured = frame.measurement;
  if (shows_stars(measured, frames)) {
    visit.size_px = measured.hfr_px;
    for (const CurvePoint& point : fit.points) {
      if (point.file != measured.file || point.position_steps != visit.position_steps) continue;
      visit.counts = point.used;
      if (point.size_px) visit.size_px = point.size_px;
    }
  } else if (measured.ring_radius_px) {
    visit.size_px = size_of_rings_px(*measured.ring_radius_px, rig);
    visit.counts = false;
  } else {
    visit.one_alone = measured.star_count > 0;
  }
  return visit;
}

// What the search says, on what the frame shows.
void take_over(const SearchStep& step, const RunAnswer& judged, WatchAnswer& answer) {
  answer.move = live_detail::move_after(step, judged);
  if (step.move) answer.next_position_steps = step.move->to_steps;
  if (answer.move) answer.via_steps = answer.move->via_steps;
  answer.enough = step.enough();
  answer.stop_reason = step.stop_reason;
  answer.approach = step.approach;
  answer.advice = step.reason;
}

// Whether the whole judgement is worth its time: the run may end here, or it has as many points as
// the verdict asks for and sizes alone do not make it trusted.
bool may_end(const SearchStep& step, const FitResult& fit) {
  const auto used = std::count_if(fit.points.begin(), fit.points.end(),
                                  [](const CurvePoint& point) { return point.used; });
  return step.stop_reason ||
         (fit.verdict != Verdict::trusted && used >= VerdictRules::kTrustedPoints);
}

// Why the frame has no size.
std::string why_no_size(const FrameMeasurement& frame) {
  const bool found = frame.star_count > 0 && frame.saturated_count == 0;
  return (found ? run_detail::not_a_star_reason() : run_detail::no_size_reason(frame)).text;
}

// The frame changes nothing: what the others said stands, the next position with it.
WatchAnswer without_position(const MeasuredFrame& frame, const FrameReadOptions& read,
                             WatchAnswer last) {
  WatchAnswer answer = std::move(last);
  answer.file = frame.measurement.file;
  answer.position_steps.reset();
  answer.size_px = frame.measurement.hfr_px;
  answer.advice = {codes::no_position,
                   "the frame does not count: " + run_detail::no_position_reason(read)};
  return answer;
}

}  // namespace

LiveRun::LiveRun(LiveRunOptions options) : options_(std::move(options)) {
  options_.run.follow = false;  // over all frames, in the whole judgement
  options_.run.sky = true;
  so_far_.rig = options_.run.rig;
}

Result<WatchAnswer> LiveRun::add(const std::string& path, MoreFrames more) {
  auto taken = measure_run({path}, options_.run);
  if (!taken) return tl::unexpected<Error>(taken.error());
  const MeasuredFrame& newest = taken->frames.front();
  const bool ends = more == MoreFrames::none;
  if (!newest.facts.position_steps) {
    if (ends && !so_far_.frames.empty() && !concluded_) {
      if (auto whole = judge_whole(options_.run); !whole) return whole;
    }
    return without_position(newest, options_.run.read, last_);
  }
  MeasuredRun with = so_far_;
  const auto before =
      std::find_if(with.frames.begin(), with.frames.end(),
                   [&](const MeasuredFrame& known) { return same_exposure(known, newest); });
  const auto place = static_cast<std::size_t>(before - with.frames.begin());
  if (before != with.frames.end()) {
    *before = newest;
  } else {
    with.frames.push_back(newest);
  }
  with.rig = completed(with.rig, taken->rig);
  const auto recorded = run_detail::record_sizes(with, options_.run);
  if (!recorded) return tl::unexpected<Error>(recorded.error());
  std::swap(so_far_, with);
  newest_ = place;
  concluded_ = false;
  auto answer = answer_by(*recorded);
  if (!answer) return answer;
  const bool whole = ends || (whole_is_due_ && more == MoreFrames::may_come);
  return whole ? judge_whole(options_.run) : answer;
}

Result<WatchAnswer> LiveRun::conclude() {
  if (so_far_.frames.empty()) return fail(ErrorCode::no_data, "no frame of the run counts");
  if (concluded_) return last_;
  RunOptions to_the_end = options_.run;  // an interrupt ended the run, not its judgement
  to_the_end.stop = nullptr;
  return judge_whole(to_the_end);
}

Result<WatchAnswer> LiveRun::judge_whole(const RunOptions& options) {
  MeasuredRun followed = so_far_;
  if (auto done = run_detail::follow_stars(followed.frames, options); !done) {
    return tl::unexpected<Error>(done.error());
  }
  const auto recorded = run_detail::record_frames(std::move(followed), options);
  if (!recorded) return tl::unexpected<Error>(recorded.error());
  auto answer = answer_by(*recorded);
  concluded_ = answer.has_value();
  return answer;
}

Result<WatchAnswer> LiveRun::answer_by(const RecordedRun& recorded) {
  judged_ = answer_of(recorded);
  const MeasuredFrame& newest = so_far_.frames[newest_];
  const FitResult& fit = judged_.fit;
  WatchAnswer answer;
  answer.file = newest.measurement.file;
  answer.position_steps = newest.facts.position_steps;
  answer.frames = static_cast<int>(fit.points.size());
  answer.best_focus_steps = fit.best_focus_steps;
  answer.best_focus_sigma_steps = fit.best_focus_sigma_steps;
  answer.interval_95_steps = fit.interval_95_steps;
  answer.verdict = fit.verdict;
  answer.reasons = fit.reasons;
  const FrameGroup group(so_far_.frames);
  std::vector<SearchVisit> visits;
  for (const MeasuredFrame& frame : so_far_.frames) {
    visits.push_back(visit_of(group, frame, judged_.fit, judged_.rig));
  }
  answer.size_px = visits[newest_].size_px;
  const auto step =
      next_step(live_detail::search_state(std::move(visits), judged_, options_, kept_));
  if (!step) return tl::unexpected<Error>(step.error());
  kept_.approach = step->approach;
  take_over(*step, judged_, answer);
  if (!answer.size_px) {
    answer.advice.text = why_no_size(newest.measurement) + "; " + answer.advice.text;
  }
  answer.notes = live_detail::notes_on_focuser(judged_, *step);
  whole_is_due_ = may_end(*step, fit);
  last_ = answer;
  return answer;
}

}  // namespace starwaist
