// The search for focus on made curves, without pixels.
#include "starwaist/search.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <optional>
#include <set>
#include <vector>

#include "advice/plain_rig.h"
#include "curve/made_run.h"

namespace starwaist {
namespace {

using testing::HasSubstr;

constexpr double kFocus = 5030;
constexpr double kCore = 100;  // B: 2 px over 0.02 px a step
constexpr int kMostPoints = 25;

// What a frame at a position shows.
using Sky = std::function<SearchVisit(double position_steps, int frame)>;

// Stars within `reach_steps` of focus.
Sky stars_within(double reach_steps) {
  return [=](double position, int) {
    SearchVisit visit;
    visit.position_steps = position;
    if (std::abs(position - kFocus) <= reach_steps) {
      visit.size_px = made::Curve{kFocus, 2, 0.02}.at(position);
    }
    return visit;
  };
}

struct Loop {
  std::vector<SearchVisit> visits;
  std::vector<SearchStep> steps;
  [[nodiscard]] const SearchStep& last() const { return steps.back(); }
};

// The verdict that a judgement would give: enough points near focus, on both sides.
Verdict plain_verdict(const std::vector<SearchVisit>& visits) {
  std::set<double> below;
  std::set<double> above;
  for (const SearchVisit& visit : visits) {
    if (!visit.size_px || *visit.size_px > 12) continue;
    (visit.position_steps < kFocus ? below : above).insert(visit.position_steps);
  }
  const bool trusted = below.size() > 1 && above.size() > 1 && below.size() + above.size() > 4;
  return trusted ? Verdict::trusted : Verdict::doubtful;
}

struct Told {
  Rig rig = plain_rig();
  std::optional<ObservingConditions> conditions = plain_conditions();
};

Loop follow(const Sky& sky, double start, const Told& told) {
  Loop loop;
  SearchState state;
  state.rig = told.rig;
  state.conditions = told.conditions;
  state.options.most_points = kMostPoints;
  double position = start;
  while (static_cast<int>(loop.steps.size()) <= kMostPoints) {
    state.visits.push_back(sky(position, static_cast<int>(state.visits.size())));
    state.verdict = plain_verdict(state.visits);
    const auto step = next_step(state);
    EXPECT_TRUE(step) << step.error().text();
    if (!step) break;
    loop.steps.push_back(*step);
    if (!step->next_position_steps) break;
    position = *step->next_position_steps;
  }
  loop.visits = state.visits;
  return loop;
}

void expect_ended(const Loop& loop, double start) {
  EXPECT_TRUE(loop.last().stop_reason) << start;
  EXPECT_LE(loop.visits.size(), static_cast<std::size_t>(kMostPoints)) << start;
}

void expect_few_visits_of_one_place(const Loop& loop, double start) {
  for (const SearchVisit& one : loop.visits) {
    const auto there =
        std::count_if(loop.visits.begin(), loop.visits.end(),
                      [&](const SearchVisit& v) { return v.position_steps == one.position_steps; });
    EXPECT_LE(there, 2) << start << " at " << one.position_steps;
  }
}

TEST(NextStep, FindsFocusFromAnywhereInFewFrames) {
  std::vector<std::size_t> frames;
  for (double start = kFocus - 200 * kCore; start <= kFocus + 200 * kCore; start += 1130) {
    const Loop loop = follow(stars_within(4000), start, {});
    EXPECT_EQ(loop.last().stop_reason, StopReason::enough) << start << loop.last().reason.text;
    expect_few_visits_of_one_place(loop, start);
    frames.push_back(loop.visits.size());
  }
  std::nth_element(frames.begin(), frames.begin() + frames.size() / 2, frames.end());
  EXPECT_LE(frames[frames.size() / 2], 12U);
}

// The stars show for a quarter of that: gaps between the first wide steps must be filled in.
TEST(NextStep, FindsFocusWhereStarsShowOnlyNearIt) {
  Told told;
  told.rig.min_position_steps = -2000;
  told.rig.max_position_steps = 12000;
  for (const double start : {-1900.0, 1000.0, 5000.0, 9000.0, 11900.0}) {
    const Loop loop = follow(stars_within(700), start, told);
    EXPECT_EQ(loop.last().stop_reason, StopReason::enough) << start << loop.last().reason.text;
  }
}

TEST(NextStep, WithoutLimitsNeverFartherThanTwiceTheRange) {
  for (const double start : {40.0, 5000.0, 21000.0}) {
    for (const bool known : {true, false}) {
      Told told;
      if (!known) told.conditions.reset();
      const Loop loop = follow(stars_within(0), start, told);
      double low = start;
      double high = start;
      for (std::size_t i = 1; i < loop.visits.size(); ++i) {
        const double position = loop.visits[i].position_steps;
        if (i > 1) {
          const double farthest = 2 * (high - low) + 1;
          EXPECT_GE(position, low - farthest) << start;
          EXPECT_LE(position, high + farthest) << start;
        }
        low = std::min(low, position);
        high = std::max(high, position);
      }
      EXPECT_LT(low, start);  // both ways
      EXPECT_GT(high, start);
      expect_ended(loop, start);
      expect_few_visits_of_one_place(loop, start);
    }
  }
}

TEST(NextStep, StaysWithinTheLimitsAndSaysThatThereAreNoStars) {
  Told told;
  told.rig.min_position_steps = 4200.5;
  told.rig.max_position_steps = 9000.5;
  const Loop loop = follow(stars_within(0), 5000, told);
  for (const SearchStep& step : loop.steps) {
    if (!step.next_position_steps) continue;
    EXPECT_EQ(*step.next_position_steps, std::round(*step.next_position_steps));
    EXPECT_GE(*step.next_position_steps, 4201);
    EXPECT_LE(*step.next_position_steps, 9000);
    if (step.move->via_steps) {
      EXPECT_GE(*step.move->via_steps, 4201);
      EXPECT_LE(*step.move->via_steps, 9000);
    }
  }
  expect_ended(loop, 5000);
  EXPECT_TRUE(loop.last().stop_reason == StopReason::no_stars ||
              loop.last().stop_reason == StopReason::most_points);
}

TEST(NextStep, RingsGiveTheDistanceAndTheSecondFrameTheSide) {
  SearchState state;
  state.rig = plain_rig();
  state.conditions = plain_conditions();
  SearchVisit ring;
  ring.position_steps = 8030;
  ring.size_px = 60;  // 3000 steps off
  ring.counts = false;
  state.visits = {ring};
  const auto first = next_step(state);
  ASSERT_TRUE(first && first->next_position_steps);
  const double side = *first->next_position_steps > 8030 ? 1 : -1;
  EXPECT_NEAR(std::abs(*first->next_position_steps - 8030), 3000, 600);
  // It was the wrong side: the rings are twice as wide there.
  SearchVisit wider = ring;
  wider.position_steps = 8030 + side * 3000;
  wider.size_px = 120;
  state.visits.push_back(wider);
  const auto second = next_step(state);
  ASSERT_TRUE(second && second->next_position_steps);
  EXPECT_NEAR(*second->next_position_steps, 8030 - side * 3000, 400);
  EXPECT_THAT(second->reason.text, HasSubstr("far out of focus"));
}

TEST(NextStep, TwoSizesGiveTheSlopeWhereTheRigIsNotKnown) {
  SearchState state;
  for (const double position : {9030.0, 8630.0}) {
    SearchVisit visit;
    visit.position_steps = position;
    visit.size_px = 0.02 * (position - kFocus);
    state.visits.push_back(visit);
  }
  state.rig.min_position_steps = 0;
  state.rig.max_position_steps = 20000;
  const auto step = next_step(state);
  ASSERT_TRUE(step && step->next_position_steps);
  EXPECT_NEAR(*step->next_position_steps, kFocus, 50);
}

TEST(NextStep, OneObjectAloneIsTakenAgainAndThenLeft) {
  SearchState state;
  state.rig = plain_rig();
  state.conditions = plain_conditions();
  SearchVisit alone;
  alone.position_steps = 7000;
  alone.one_alone = true;
  state.visits = {alone};
  const auto again = next_step(state);
  ASSERT_TRUE(again && again->next_position_steps);
  EXPECT_EQ(*again->next_position_steps, 7000);
  state.visits.push_back(alone);
  const auto elsewhere = next_step(state);
  ASSERT_TRUE(elsewhere && elsewhere->next_position_steps);
  EXPECT_NE(*elsewhere->next_position_steps, 7000);
}

TEST(NextStep, EnoughNeedsAVerdictThatIsTrusted) {
  SearchState state;
  state.rig = plain_rig();
  state.conditions = plain_conditions();
  const made::Curve curve{kFocus, 2, 0.02};
  for (const double u : {-2.0, -1.5, -1.0, 0.0, 1.0, 1.5, 2.0}) {
    SearchVisit visit;
    visit.position_steps = kFocus + u * kCore;
    visit.size_px = curve.at(visit.position_steps);
    state.visits.push_back(visit);
  }
  state.best_focus_steps = kFocus;
  for (const Verdict verdict : {Verdict::doubtful, Verdict::unusable}) {
    state.verdict = verdict;
    const auto step = next_step(state);
    ASSERT_TRUE(step);
    EXPECT_TRUE(step->next_position_steps);
    EXPECT_FALSE(step->enough());
  }
  state.verdict = Verdict::trusted;
  EXPECT_EQ(next_step(state)->stop_reason, StopReason::enough);
  state.verdict = Verdict::doubtful;
  state.options.most_points = 7;
  EXPECT_EQ(next_step(state)->stop_reason, StopReason::most_points);
}

// A mechanism of 1.5 B slack ends every move lying against the same side.
TEST(NextStep, EveryPositionButTheFirstIsReachedFromOneSide) {
  for (const std::optional<double>& takeup : {std::optional<double>(), std::optional(200.0)}) {
    Told told;
    told.rig.takeup_steps = takeup;
    for (double start = kFocus - 1200; start <= kFocus + 1200; start += 300) {
      const Loop loop = follow(stars_within(4000), start, told);
      double command = start;
      double carried = start;
      const auto go = [&](double position) {
        carried = std::clamp(carried, position - 1.5 * kCore, position);
        command = position;
      };
      for (const SearchStep& step : loop.steps) {
        if (!step.move) continue;
        if (step.move->via_steps) go(static_cast<double>(*step.move->via_steps));
        go(static_cast<double>(step.move->to_steps));
        const double lag = step.approach == Direction::outward ? 1.5 * kCore : 0;
        EXPECT_EQ(command - carried, lag) << start << " to " << command;
      }
    }
  }
}

TEST(NextStep, WithoutRoomBelowItApproachesInward) {
  SearchState state;
  state.rig = plain_rig();
  state.rig.min_position_steps = 4990;
  state.rig.max_position_steps = 20000;
  state.rig.takeup_steps = 150;
  state.conditions = plain_conditions();
  SearchVisit visit;
  visit.position_steps = 5000;
  visit.size_px = 3;
  state.visits = {visit};
  const auto step = next_step(state);
  ASSERT_TRUE(step && step->move);
  EXPECT_EQ(step->approach, Direction::inward);
  EXPECT_EQ(step->move->via_steps, step->move->to_steps + 150);
}

// One cloud is gone round, a sky that stays cloudy ends the run.
TEST(NextStep, CloudsEndItOneSpoiledFrameDoesNot) {
  for (const int cloud : {1, 2, 3, 4}) {
    const Sky clear = stars_within(4000);
    const Loop once = follow(
        [&](double position, int frame) {
          SearchVisit visit = clear(position, frame);
          if (frame == cloud) visit.size_px.reset();
          return visit;
        },
        kFocus + 300, {});
    EXPECT_EQ(once.last().stop_reason, StopReason::enough) << cloud;
    EXPECT_LE(once.visits.size(), 9U) << cloud;
  }
  const Loop for_good = follow(
      [&](double position, int frame) {
        return frame < 4 ? stars_within(4000)(position, frame) : stars_within(0)(position, frame);
      },
      kFocus + 300, {});
  EXPECT_EQ(for_good.last().stop_reason, StopReason::clouds);
  EXPECT_LE(for_good.visits.size(), 8U);
}

TEST(NextStep, SizesThatStayAreNoMotion) {
  const Loop loop = follow(
      [](double position, int) {
        SearchVisit visit;
        visit.position_steps = position;
        visit.size_px = 30;
        return visit;
      },
      6000, {});
  EXPECT_EQ(loop.last().stop_reason, StopReason::no_motion) << loop.last().reason.text;
  EXPECT_LE(loop.visits.size(), 8U);
}

TEST(NextStep, FocusBeyondALimitStopsThere) {
  Told told;
  told.rig.max_position_steps = 4000;
  told.rig.min_position_steps = 0;
  const Loop loop = follow(stars_within(9000), 2000, told);
  EXPECT_EQ(loop.last().stop_reason, StopReason::limits);
  EXPECT_THAT(loop.last().reason.text, HasSubstr("4000"));
  EXPECT_LE(loop.visits.size(), 8U);
}

// Best focus is known and the verdict has another doubt: more frames, close to focus first, but not
// without end. A run that cannot be used is another matter.
TEST(NextStep, ADoubtThatStaysEndsIt) {
  SearchState state;
  state.rig = plain_rig();
  state.conditions = plain_conditions();
  const made::Curve curve{kFocus, 2, 0.02};
  const auto take = [&](double position) {
    SearchVisit visit;
    visit.position_steps = position;
    visit.size_px = curve.at(position);
    state.visits.push_back(visit);
  };
  for (const double u : {-2.0, -1.9, 0.0, 1.9, 2.0}) take(kFocus + u * kCore);
  state.best_focus_steps = kFocus;
  state.verdict = Verdict::doubtful;
  auto step = next_step(state);
  ASSERT_TRUE(step && step->next_position_steps);
  EXPECT_LT(std::abs(*step->next_position_steps - kFocus), 1.5 * kCore);
  while (step && step->next_position_steps && state.visits.size() < 20) {
    take(*step->next_position_steps);
    step = next_step(state);
  }
  ASSERT_TRUE(step);
  EXPECT_EQ(step->stop_reason, StopReason::enough);
  EXPECT_EQ(step->reason.code, "doubt_stays");
  EXPECT_EQ(state.visits.size(), 5U + kMostAgainstDoubt);
  state.verdict = Verdict::unusable;
  EXPECT_FALSE(next_step(state)->enough());
}

// A slack that is found later asks for a longer take-up, for which there is no room below the
// start.
TEST(NextStep, TheSideOfApproachStays) {
  SearchState state;
  state.rig = plain_rig();
  state.rig.min_position_steps = 4000;
  state.rig.max_position_steps = 20000;
  state.conditions = plain_conditions();
  SearchVisit visit;
  visit.position_steps = 5000;
  visit.size_px = 3;
  state.visits = {visit};
  const auto first = next_step(state);
  ASSERT_TRUE(first);
  ASSERT_EQ(first->approach, Direction::outward);
  state.kept.approach = first->approach;
  state.kept.slack_takeup_steps = 1500;
  const auto later = next_step(state);
  ASSERT_TRUE(later);
  EXPECT_EQ(later->approach, Direction::outward);
  EXPECT_EQ(later->takeup_steps, 1500);
}

// A take-up that the rig gives is too short once slack was found all the same.
TEST(NextStep, ASlackFoundLengthensTheTakeUp) {
  SearchState state;
  state.rig = plain_rig();
  state.rig.takeup_steps = 0;
  state.conditions = plain_conditions();
  SearchVisit visit;
  visit.position_steps = 5200;
  visit.size_px = 4;
  state.visits = {visit};
  const auto without = next_step(state);
  ASSERT_TRUE(without && without->move);
  EXPECT_FALSE(without->move->via_steps);
  state.kept.slack_takeup_steps = 250;
  const auto with = next_step(state);
  ASSERT_TRUE(with && with->move);
  EXPECT_EQ(with->move->via_steps, with->move->to_steps - 250);
}

// The first frame lies 4 B off where its command is, so that its size points the wrong way; rings
// too wide for the fit show where focus is.
TEST(NextStep, RingsTooWideForTheFitShowTheSide) {
  SearchState state;
  state.rig = plain_rig();
  state.conditions = plain_conditions();
  const auto take = [&](double position, double size, bool counts) {
    SearchVisit visit;
    visit.position_steps = position;
    visit.size_px = size;
    visit.counts = counts;
    state.visits.push_back(visit);
  };
  const made::Curve curve{kFocus, 2, 0.02};
  take(kFocus - 600, curve.at(kFocus - 200), true);
  take(kFocus - 400, curve.at(kFocus - 400), true);
  take(kFocus - 1000, curve.at(kFocus - 1000), false);
  const auto step = next_step(state);
  ASSERT_TRUE(step && step->next_position_steps);
  EXPECT_NEAR(*step->next_position_steps, kFocus, 1.5 * kCore);
}

// One starless frame at a limit does not say that focus lies beyond it.
TEST(NextStep, ALimitIsNotTheEndWhileTheSideIsOpen) {
  SearchState state;
  state.rig = plain_rig();
  state.rig.min_position_steps = 1000;
  state.rig.max_position_steps = 20000;
  state.conditions = plain_conditions();
  for (const auto& [position, size] : std::vector<std::pair<double, double>>{
           {5000, 0}, {2800, 45}, {1000, 0}}) {  // the first is spoiled
    SearchVisit visit;
    visit.position_steps = position;
    if (size > 0) {
      visit.size_px = size;
      visit.counts = false;
    }
    state.visits.push_back(visit);
  }
  const auto step = next_step(state);
  ASSERT_TRUE(step);
  ASSERT_TRUE(step->next_position_steps) << step->reason.text;
  EXPECT_NEAR(*step->next_position_steps, 5050, 300);
}

// Most nights begin near focus: a spoiled first frame there must not send the search far away.
TEST(NextStep, ASpoiledFirstFrameIsTakenAgainBeforeLong) {
  const Sky clear = stars_within(2500);
  const Loop loop = follow(
      [&](double position, int frame) {
        SearchVisit visit = clear(position, frame);
        if (frame == 0) visit.size_px.reset();
        return visit;
      },
      kFocus + 60, {});
  EXPECT_EQ(loop.last().stop_reason, StopReason::enough);
  EXPECT_LE(loop.visits.size(), 16U);
}

TEST(NextStep, RefusesNonsense) {
  SearchState state;
  EXPECT_FALSE(next_step(state));
  SearchVisit visit;
  visit.size_px = -1;
  state.visits = {visit};
  EXPECT_FALSE(next_step(state));
}

}  // namespace
}  // namespace starwaist
