#include "starwaist/search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <string>
#include <utility>

#include "advice/search_stages.h"
#include "advice/steps_text.h"
#include "starwaist/codes.h"

namespace starwaist {

std::string enum_name(StopReason reason) {
  switch (reason) {
    case StopReason::enough:
      return "enough";
    case StopReason::most_points:
      return "most_points";
    case StopReason::limits:
      return "limits";
    case StopReason::no_stars:
      return "no_stars";
    case StopReason::no_motion:
      return "no_motion";
    case StopReason::clouds:
      return "clouds";
  }
  return "";
}

namespace advice {
namespace {

constexpr double kFirstMoveOfTravel = 0.1;  // between the limits, where the rig is not known
constexpr double kFirstMoveOfStart = 0.01;  // where the limits are not known either
constexpr double kShortestFirstMove = 20;
constexpr int kFramesAtOnePlace = 2;    // that are not spoiled
constexpr int kMostAtOnePlace = 4;      // spoiled ones among them
constexpr double kFarOverSmallest = 7;  // a size so many times that in focus gives a distance only

constexpr int kCloudyFrames = 4;          // in a row, where stars should show
constexpr double kUnknownSlackCores = 8;  // B that are gone past a position, slack not known
constexpr int kFewestForNoMotion = 5;

double reach_of(const Search& s) {
  return std::max(s.first_move_steps, kRangeFactor * (s.high_steps - s.low_steps));
}

}  // namespace

Search::Search(const SearchState& given) : state(given) {
  const Rig& rig = state.rig;
  const double start = state.visits.front().position_steps;
  low_steps = high_steps = start;
  for (std::size_t i = 0; i < state.visits.size(); ++i) {
    const SearchVisit& visit = state.visits[i];
    low_steps = std::min(low_steps, visit.position_steps);
    high_steps = std::max(high_steps, visit.position_steps);
    if (visit.size_px) {
      seen.push_back({visit.position_steps, *visit.size_px, i == 0});
    } else {
      starless.push_back(visit.position_steps);
    }
  }
  if (state.conditions) {
    slope_px_per_step = state.conditions->slope_px_per_step;
    core_steps = state.conditions->core_steps();
  }
  const bool both = rig.min_position_steps && rig.max_position_steps;
  if (slope_px_per_step) {
    first_move_steps = kFirstMovePx / *slope_px_per_step;
  } else if (both) {
    first_move_steps = kFirstMoveOfTravel * (*rig.max_position_steps - *rig.min_position_steps);
  } else {
    first_move_steps = std::max(kShortestFirstMove, kFirstMoveOfStart * std::abs(start));
  }
  if (both) {
    first_move_steps =
        std::min(first_move_steps, 0.5 * (*rig.max_position_steps - *rig.min_position_steps));
  }
  first_move_steps = std::max(1.0, std::round(first_move_steps));
}

double Search::lowest_steps() const {
  const auto& limit = state.rig.min_position_steps;
  const double farthest = state.visits.front().position_steps - farthest_steps();
  return std::ceil(limit ? *limit : std::max(low_steps - reach_of(*this), farthest));
}

double Search::highest_steps() const {
  const auto& limit = state.rig.max_position_steps;
  const double farthest = state.visits.front().position_steps + farthest_steps();
  return std::floor(limit ? *limit : std::min(high_steps + reach_of(*this), farthest));
}

int Search::frames_at(double position_steps) const {
  return static_cast<int>(
      std::count_if(state.visits.begin(), state.visits.end(), [&](const SearchVisit& visit) {
        return std::abs(visit.position_steps - position_steps) < 0.5;
      }));
}

bool Search::allows(double position_steps) const {
  if (position_steps < lowest_steps() || position_steps > highest_steps()) return false;
  const int frames = frames_at(position_steps);
  if (frames < kFramesAtOnePlace) return true;
  if (seen.empty() || frames >= kMostAtOnePlace) return false;
  // Without stars between frames that show them a frame is spoiled.
  const auto spoiled = std::count_if(starless.begin(), starless.end(), [&](double position) {
    return std::abs(position - position_steps) < 0.5;
  });
  return frames - spoiled < kFramesAtOnePlace;
}

std::optional<double> Search::nearest_allowed(double position_steps) const {
  constexpr int kTries = 60;
  const double step = std::max(1.0, std::round(0.2 * core_steps.value_or(0)));
  const double from = std::clamp(std::round(position_steps), lowest_steps(), highest_steps());
  for (int k = 0; k < kTries; ++k) {
    for (const double side : {1.0, -1.0}) {
      const double position = from + side * k * step;
      if (allows(position)) return position;
    }
  }
  return std::nullopt;
}

namespace {

struct Decision {
  std::optional<Target> target;
  std::optional<StopReason> stop;
  Statement reason;  // of the stop
};

Decision go_to(double position, Statement reason) {
  return {Target{position, std::move(reason)}, std::nullopt, {}};
}

Decision stop_for(StopReason stop, Statement reason) {
  return {std::nullopt, stop, std::move(reason)};
}

const Search::Seen& smallest_of(const Search& search) {
  return *std::min_element(
      search.seen.begin(), search.seen.end(),
      [](const Search::Seen& a, const Search::Seen& b) { return a.size_px < b.size_px; });
}

// A clearly larger star on both sides of the smallest.
bool is_enclosed(const Search& search) {
  const Search::Seen& least = smallest_of(search);
  bool below = false;
  bool above = false;
  for (const Search::Seen& s : search.seen) {
    if (s.size_px < kLargerThanLeast * least.size_px) continue;
    (s.position_steps < least.position_steps ? below : above) = true;
  }
  return below && above;
}

// How many of the last frames show no star.
int starless_in_a_row(const Search& search) {
  int count = 0;
  for (auto visit = search.state.visits.rbegin(); visit != search.state.visits.rend(); ++visit) {
    if (visit->size_px) break;
    ++count;
  }
  return count;
}

// A place that lies beyond a limit at which a frame was taken already.
std::optional<Decision> beyond_limit(const Search& search, double focus) {
  const Rig& rig = search.state.rig;
  const double slack = search.core_steps.value_or(1);
  for (const auto& [limit, side] :
       {std::pair{rig.min_position_steps, -1.0}, std::pair{rig.max_position_steps, 1.0}}) {
    if (!limit || side * (focus - *limit) < slack) continue;
    const double whole = side < 0 ? std::ceil(*limit) : std::floor(*limit);
    if (search.frames_at(whole) == 0) continue;
    return stop_for(
        StopReason::limits,
        {codes::beyond_limit, "best focus lies about " + steps_text(std::abs(focus - *limit)) +
                                  " steps beyond the focuser's limit " + steps_text(*limit) +
                                  ": move the camera along the tube, or correct the limit"});
  }
  return std::nullopt;
}

// Lowest and highest position that showed stars.
std::pair<double, double> range_seen(const Search& search) {
  const auto [low, high] = std::minmax_element(search.seen.begin(), search.seen.end(),
                                               [](const Search::Seen& a, const Search::Seen& b) {
                                                 return a.position_steps < b.position_steps;
                                               });
  return {low->position_steps, high->position_steps};
}

// Beyond the outermost frame with stars on one side, as far as no frame without stars stands in the
// way; absent where there is no room.
std::optional<double> beyond_seen(const Search& search, double side) {
  constexpr double kOfGap = 0.35;  // between the frame with stars and the one without
  const auto [seen_low, seen_high] = range_seen(search);
  const double from = side > 0 ? seen_high : seen_low;
  double reach = std::max(0.5 * search.first_move_steps, kRangeFactor * (seen_high - seen_low));
  for (const double position : search.starless) {
    const double gap = side * (position - from);
    if (gap > 0) reach = std::min(reach, kOfGap * gap);
  }
  const double position =
      std::clamp(std::round(from + side * reach), search.lowest_steps(), search.highest_steps());
  if (search.frames_at(position) > 0 || side * (position - from) < 1) return std::nullopt;
  return position;
}

// Only sizes that differ show a slope: to the side with more room, where that is seen, too.
Decision explore(const Search& search) {
  const auto above = beyond_seen(search, 1);
  const auto below = beyond_seen(search, -1);
  if (!above && !below) {
    return stop_for(StopReason::limits,
                    {codes::limits_leave_nothing,
                     "the focuser's limits leave no position that would show a difference"});
  }
  const double here = smallest_of(search).position_steps;
  const bool up = above && (!below || *above - here >= here - *below);
  return go_to(up ? *above : *below, {codes::find_side, "to see on which side best focus lies"});
}

Decision decide_far(const Search& search) {
  auto place = far_place(search);
  if (!place) return explore(search);
  if (auto stop = beyond_limit(search, place->focus_steps)) {
    // A limit that was visited speaks for the other side, where that is still open.
    if (place->side_known || !place->other_side_steps ||
        beyond_limit(search, *place->other_side_steps)) {
      return *stop;
    }
    place->focus_steps = *place->other_side_steps;
  }
  const double off = place->focus_steps - search.state.visits.back().position_steps;
  const std::string where = " about " + steps_text(std::abs(off)) + " steps towards " +
                            (off > 0 ? "larger" : "smaller") + " positions";
  if (!place->side_known) {
    return go_to(place->focus_steps,
                 {codes::find_side, "far out of focus: best focus lies" + where +
                                        " or as far the other way; the next frame shows which"});
  }
  return go_to(place->focus_steps,
               {codes::go_to_likely_focus, "far out of focus: best focus lies" + where});
}

// Sizes that do not enclose best focus are few, and the first of them may be off by the slack: what
// all sizes say, rings that are too wide for the fit included. Absent where that is no other place.
std::optional<Decision> decide_by_all_sizes(const Search& search, double core) {
  constexpr std::size_t kFewest = 3;
  constexpr double kFarCores = 2.5;
  if (search.seen.size() < kFewest) return std::nullopt;
  const auto place = far_place(search);
  if (!place || !place->side_known) return std::nullopt;
  for (const Search::Seen& s : search.seen) {
    if (!s.first && std::abs(s.position_steps - place->focus_steps) < kFarCores * core) {
      return std::nullopt;
    }
  }
  return decide_far(search);
}

// Between the frames within `reach` B of focus, where the gap is widest.
std::optional<double> widest_gap(const Search& search, double focus, double core, double reach) {
  constexpr int kPlaces = 10;  // on each side
  constexpr double kNarrow = 0.3;
  std::optional<double> widest;
  double width = kNarrow * core;
  for (int k = -kPlaces; k <= kPlaces; ++k) {
    const double position = std::round(focus + reach * core * k / kPlaces);
    if (!search.allows(position) || search.frames_at(position) > 0) continue;
    double gap = std::numeric_limits<double>::infinity();
    for (const Search::Seen& s : search.seen) {
      gap = std::min(gap, std::abs(s.position_steps - position));
    }
    if (gap <= width) continue;
    widest = position;
    width = gap;
  }
  return widest;
}

// Best focus is known as well as wanted, and something else keeps it from being trusted: frames
// close to it first, then wherever the gap between the others is widest.
Decision decide_against_doubt(const Search& search, double focus, double core) {
  constexpr double kCloseCores = 1.25;
  constexpr double kReachCores = 2.5;
  int near = 0;
  for (const Search::Seen& s : search.seen) {
    near += std::abs(s.position_steps - focus) <= kReachCores * core ? 1 : 0;
  }
  const bool no_help = near >= VerdictRules::kTrustedPoints + kMostAgainstDoubt;
  if (no_help && search.state.verdict == Verdict::doubtful) {
    return stop_for(StopReason::enough,
                    {codes::doubt_stays,
                     "more frames do not help: " + std::to_string(near) +
                         " near best focus are enough for its place, and the doubt has another "
                         "reason"});
  }
  for (const double reach : {kCloseCores, kReachCores}) {
    if (const auto gap = widest_gap(search, focus, core, reach)) {
      return go_to(*gap, {codes::against_doubt,
                          "best focus is not trusted yet: one more frame between the others"});
    }
  }
  return stop_for(StopReason::limits,
                  {codes::limits_leave_nothing, "no useful position is left near best focus"});
}

ObservingConditions conditions_of_sizes(const Search& search, const FarPlace& place) {
  ObservingConditions conditions;
  conditions.smallest_px = 0.9 * smallest_of(search).size_px;
  conditions.slope_px_per_step = place.slope_px_per_step;
  return conditions;
}

std::vector<CurvePoint> points_of(const SearchState& state) {
  std::vector<CurvePoint> points;
  for (std::size_t i = 0; i < state.visits.size(); ++i) {
    const SearchVisit& visit = state.visits[i];
    if (!visit.size_px || !visit.counts) continue;
    if (i == 0 && state.slack_found) continue;  // which way its slack lay is not known
    CurvePoint point;
    point.position_steps = visit.position_steps;
    point.size_px = visit.size_px;
    points.push_back(point);
  }
  return points;
}

Result<Decision> decide_near(const Search& search, const ObservingConditions& conditions) {
  const SearchState& state = search.state;
  const std::vector<CurvePoint> points = points_of(state);
  if (points.empty()) return decide_far(search);
  NextSampleOptions options = state.options;
  options.most_points = std::numeric_limits<int>::max();  // the search counts all frames
  auto next = next_sample(points, conditions, state.rig, options);
  if (!next) return tl::unexpected<Error>(next.error());
  if (next->enough && state.verdict == Verdict::trusted) {
    return stop_for(StopReason::enough, next->reason);
  }
  const double core = conditions.core_steps();
  if (next->bracketing) {
    if (auto elsewhere = decide_by_all_sizes(search, core)) return *elsewhere;
  }
  if (next->next_position_steps) return go_to(*next->next_position_steps, next->reason);
  if (!next->enough) return stop_for(StopReason::limits, next->reason);
  const double focus = state.best_focus_steps.value_or(
      next->best_focus_steps.value_or(points.back().position_steps));
  return decide_against_doubt(search, focus, core);
}

// Sizes that stay the same over moves that are longer than the distance that they give.
bool sizes_stay(const Search& search) {
  if (!search.slope_px_per_step || static_cast<int>(search.seen.size()) < kFewestForNoMotion) {
    return false;
  }
  const auto [least, most] = std::minmax_element(
      search.seen.begin(), search.seen.end(),
      [](const Search::Seen& a, const Search::Seen& b) { return a.size_px < b.size_px; });
  const auto [low, high] = range_seen(search);
  const double needed = most->size_px / *search.slope_px_per_step + 2 * *search.core_steps;
  return most->size_px < 1.1 * least->size_px && high - low > needed;
}

Decision decide_lost(const Search& search) {
  const SearchVisit& last = search.state.visits.back();
  // Where that was in vain once, objects alone are a matter of this night's cosmic rays.
  const auto& visits = search.state.visits;
  const bool in_vain = std::any_of(visits.begin(), visits.end(), [&](const SearchVisit& visit) {
    return visit.one_alone && search.frames_at(visit.position_steps) >= kFramesAtOnePlace;
  });
  if (last.one_alone && !in_vain) {
    return go_to(last.position_steps,
                 {codes::confirm_star,
                  "one object alone is no star before a second frame shows it there too"});
  }
  if (auto target = lost_target(search)) return {std::move(target), std::nullopt, {}};
  return stop_for(
      StopReason::no_stars,
      {codes::no_star_anywhere,
       "no star was seen at any position: check cover, shutter, exposure and pointing"});
}

Result<Decision> decide(const Search& search) {
  const SearchState& state = search.state;
  const int frames = static_cast<int>(state.visits.size());
  const bool stays = sizes_stay(search);
  if (stays || (state.no_motion_found && frames >= kFewestForNoMotion)) {
    return stop_for(StopReason::no_motion,
                    {codes::focus_stays,
                     "positions changed and the star sizes did not: look whether "
                     "the focuser turns the tube"});
  }
  if (search.seen.empty()) return decide_lost(search);
  if (search.seen.size() > 2 && starless_in_a_row(search) >= kCloudyFrames) {
    return stop_for(StopReason::clouds, {codes::stars_gone,
                                         "the stars are gone: wait for a clear "
                                         "sky, then start again"});
  }
  if (state.conditions) {
    constexpr std::size_t kFewestPoints = 2;  // of which the side follows
    const bool far = smallest_of(search).size_px > kFarOverSmallest * state.conditions->smallest_px;
    const bool enough_points = frames == 1 || points_of(state).size() >= kFewestPoints;
    return far || !enough_points ? decide_far(search) : decide_near(search, *state.conditions);
  }
  const auto place = far_place(search);
  if (!place || !is_enclosed(search)) return decide_far(search);
  return decide_near(search, conditions_of_sizes(search, *place));
}

double takeup_of(const Search& search) {
  const SearchState& state = search.state;
  double takeup = kUnknownSlackCores * search.core_steps.value_or(0);
  if (state.rig.takeup_steps) {
    takeup = *state.rig.takeup_steps;
  } else if (!search.core_steps) {
    takeup = std::max(search.first_move_steps, 0.5 * (search.high_steps - search.low_steps));
  }
  return std::ceil(std::max(takeup, state.kept.slack_takeup_steps));
}

// Outward, unless there is no room for the take-up below the start.
Direction approach_of(const Search& search, double takeup) {
  const Rig& rig = search.state.rig;
  const double start = search.state.visits.front().position_steps;
  const double below = rig.min_position_steps ? start - *rig.min_position_steps
                                              : std::numeric_limits<double>::infinity();
  const double above = rig.max_position_steps ? *rig.max_position_steps - start
                                              : std::numeric_limits<double>::infinity();
  return below < takeup && above > below ? Direction::inward : Direction::outward;
}

// The slack is taken up where the last move went the same way; before the first it may lie either
// way.
Move move_of(const Search& search, double to, Direction approach, double takeup) {
  const std::vector<SearchVisit>& visits = search.state.visits;
  const double side = approach == Direction::outward ? 1 : -1;
  const double along = side * (to - visits.back().position_steps);
  const bool taken_up = along >= takeup || (visits.size() > 1 && along >= 0);
  Rig rig = search.state.rig;
  rig.takeup_steps = taken_up ? 0 : takeup;
  return move_to(to, approach, rig);
}

Result<void> checked(const SearchState& state) {
  for (const SearchVisit& visit : state.visits) {
    if (std::isfinite(visit.position_steps) &&
        (!visit.size_px || (std::isfinite(*visit.size_px) && *visit.size_px > 0))) {
      continue;
    }
    return fail(ErrorCode::invalid_argument,
                "a frame's position and size must be finite numbers, the size above 0",
                "Leave the frame out");
  }
  if (state.visits.empty()) {
    return fail(ErrorCode::invalid_argument, "no frame was taken", "Take one where the focuser is");
  }
  return {};
}

}  // namespace
}  // namespace advice

Result<SearchStep> next_step(const SearchState& state) {
  if (auto sound = advice::checked(state); !sound) return tl::unexpected<Error>(sound.error());
  if (auto valid = checked(state.rig); !valid) return tl::unexpected<Error>(valid.error());
  const advice::Search search(state);
  SearchStep step;
  step.takeup_steps = advice::takeup_of(search);
  step.approach = state.kept.approach.value_or(advice::approach_of(search, step.takeup_steps));
  auto decision = advice::decide(search);
  if (!decision) return tl::unexpected<Error>(decision.error());
  if (decision->target && static_cast<int>(state.visits.size()) >= state.options.most_points) {
    step.stop_reason = StopReason::most_points;
    step.reason = {codes::most_frames_taken,
                   "the run has its " + std::to_string(state.visits.size()) + " frames"};
    return step;
  }
  std::optional<double> position;
  if (decision->target) position = search.nearest_allowed(decision->target->position_steps);
  if (!position) {
    step.stop_reason = decision->stop.value_or(StopReason::limits);
    step.reason = decision->target ? Statement{codes::limits_leave_nothing,
                                               "the focuser's limits leave no useful position"}
                                   : decision->reason;
    return step;
  }
  step.next_position_steps = *position;
  step.move = advice::move_of(search, *position, step.approach, step.takeup_steps);
  step.reason = decision->target->reason;
  return step;
}

}  // namespace starwaist
