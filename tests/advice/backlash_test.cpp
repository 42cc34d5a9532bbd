// Slack from made sweeps whose play, drift and bad points are known.
#include "starwaist/backlash.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <random>
#include <string_view>

#include "advice/joint_fit.h"
#include "curve/made_run.h"
#include "starwaist/codes.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using testing::Contains;
using testing::HasSubstr;

// A focuser with play: it stands between x - slack and x, and moves only when pushed.
struct Focuser {
  double slack = 0;
  double place = 0;
  bool placed = false;
  double go(double x, double first_lag) {
    if (!placed) place = x - first_lag * slack;
    placed = true;
    place = std::clamp(place, x - slack, x);
    return place;
  }
};

struct Sweeps {
  double slack = 0;
  double noise = 0;
  double drift_per_frame = 0;
  int count = 3;  // in, out, in
  double first_lag = 0;
  double jump = 0;          // of best focus from sweep to sweep
  double half_range = 360;  // about 5050
  int points = 13;
  // Temperature from the first frame to the last, about 10 C, and what a degree does to best focus.
  double temperature_change_c = 0;
  double steps_per_c = 0;
};

// Best focus 5030 at mid-time, B 100.
std::vector<SweepRecord> take(const Sweeps& s, unsigned seed = 1) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  const made::Curve curve;
  Focuser focuser{s.slack};
  std::vector<SweepRecord> records;
  int frame = 0;
  for (int k = 0; k < s.count; ++k) {
    SweepRecord record;
    for (int i = 0; i < s.points; ++i) {
      CurvePoint p;
      p.file = "row " + std::to_string(i + 1);
      const double along = s.half_range * (1 - 2.0 * i / (s.points - 1));
      p.position_steps = 5050 + (k % 2 == 0 ? along : -along);
      const double from_middle = frame - 0.5 * (s.points * s.count - 1);
      const double warmer_c = s.temperature_change_c * from_middle / (s.points * s.count - 1);
      const double drift = s.drift_per_frame * from_middle + s.jump * k + s.steps_per_c * warmer_c;
      p.temperature_c = 10 + warmer_c;
      p.size_px = curve.at(focuser.go(p.position_steps, s.first_lag) - drift) *
                  (1 + s.noise * normal(random));
      if (s.noise > 0) p.sigma_px = s.noise * *p.size_px;
      record.push_back(p);
      ++frame;
    }
    records.push_back(record);
  }
  return records;
}

Rig rig() {
  Rig r;
  r.f_number = 5;
  r.pixel_um = 3.76;
  r.um_per_step = 1;  // half zone 27.5 steps
  return r;
}

TEST(Mechanism, StandsStillUntilThePlayIsUsedUp) {
  advice::JointSamples s;
  s.x = {5, 4, 3, 4, 5, 6, 5};
  s.direction = {-1, -1, -1, 1, 1, 1, -1};
  s.record_start = {0};
  using advice::Beginning;
  EXPECT_THAT(advice::mechanism(s, {{Beginning::taken_up}, false, 1}, 1.5, 0.5).at,
              testing::ElementsAre(5, 4, 3, 3, 3.5, 4.5, 4.5));
  EXPECT_THAT(advice::mechanism(s, {{Beginning::untaken}, false, 1}, 1.5, 0.5).at,
              testing::ElementsAre(3.5, 3.5, 3, 3, 3.5, 4.5, 4.5));
  EXPECT_THAT(advice::mechanism(s, {{Beginning::between}, false, 1}, 1.5, 0.4).at,
              testing::ElementsAre(4.1, 4, 3, 3, 3.5, 4.5, 4.5));
  EXPECT_THAT(advice::mechanism(s, {{Beginning::taken_up}, true, 1}, 1.5, 0.5).at,
              testing::ElementsAre(5, 4, 3, 2.5, 3.5, 4.5, 5));
}

TEST(JointResiduals, DerivativesAreThoseOfTheResiduals) {
  advice::JointSamples s;
  for (int i = 0; i < 6; ++i) {
    s.x.push_back(-1 + 0.4 * i);
    s.y.push_back(1 + 0.2 * i);
    s.shift.push_back(0.01 * i);
    s.time.push_back(-0.5 + 0.2 * i);
    s.weight.push_back(i == 2 ? 0 : 20);
    s.direction.push_back(1);
  }
  s.record_start = {0};
  const curve::Shape shape = curve::Shape::blur(SeeingProfile::kolmogorov, 0.3);
  const advice::PlayHypothesis hypothesis{{advice::Beginning::between}, false, 1};
  constexpr double kWidth = 0.6;  // taken up at the third point
  constexpr std::size_t kCount = advice::kJointParameters;
  for (const bool robust : {false, true}) {
    const advice::JointResiduals residuals(s, hypothesis, kWidth, shape, {}, robust);
    const std::size_t rows = static_cast<std::size_t>(residuals.count());
    const std::array<double, kCount> at{0.1, -0.2, 0.3, 0.03, 0.05, 0.3, 0.02};
    std::vector<double> value(rows), up(rows), down(rows), jacobian(rows * kCount);
    residuals.evaluate(at.data(), value.data(), jacobian.data());
    for (std::size_t j = 0; j < kCount; ++j) {
      constexpr double kStep = 1e-5;
      auto high = at;
      auto low = at;
      high[j] += kStep;
      low[j] -= kStep;
      residuals.evaluate(high.data(), up.data(), nullptr);
      residuals.evaluate(low.data(), down.data(), nullptr);
      for (std::size_t i = 0; i < rows; ++i) {
        EXPECT_NEAR(jacobian[j * rows + i], (up[i] - down[i]) / (2 * kStep), 1e-4) << j << " " << i;
      }
    }
  }
}

// The curve made here is a hyperbola, the fitted one that of a blurred star, up to 5 % apart but
// alike on both sides: what is left is a small part of the half zone (27.5).
TEST(MeasureBacklash, RecoversSlackWithoutNoise) {
  for (const double slack : {0.0, 15.0, 60.0, 200.0}) {
    const auto r = measure_backlash(take({.slack = slack}), rig());
    ASSERT_TRUE(r && r->backlash_steps) << slack;
    EXPECT_NEAR(*r->backlash_steps, slack, std::max(3.0, 0.03 * slack)) << slack;
    EXPECT_GE(*r->takeup_steps, slack);
    ASSERT_EQ(r->sweeps.size(), 3U);
    EXPECT_EQ(r->sweeps[0].direction, Direction::inward);
    EXPECT_EQ(r->sweeps[1].direction, Direction::outward);
    EXPECT_NEAR(*r->sweeps[0].best_focus_steps, 5030, 5);
    EXPECT_NEAR(*r->sweeps[1].best_focus_steps, 5030 + slack, 5);
    EXPECT_EQ(r->verdict, Verdict::trusted) << testing::PrintToString(texts_of(r->reasons));
  }
}

TEST(MeasureBacklash, SeparatesDriftFromSlack) {
  // Two steps a frame are 26 from sweep to sweep: half of the slack.
  const auto r = measure_backlash(take({.slack = 50, .noise = 0.01, .drift_per_frame = 2}), rig());
  ASSERT_TRUE(r && r->backlash_steps);
  EXPECT_TRUE(r->drift_identified);
  EXPECT_TRUE(r->interval_95_steps.contains(50)) << *r->backlash_steps;
  EXPECT_NEAR(*r->backlash_steps, 50, 6);
  EXPECT_NEAR(*r->drift_steps, 2 * 38, 20);
  const auto two =
      measure_backlash(take({.slack = 50, .noise = 0.01, .drift_per_frame = 2, .count = 2}), rig());
  ASSERT_TRUE(two);
  EXPECT_FALSE(two->drift_identified);
  auto said = texts_of(two->notes);
  for (const std::string& reason : texts_of(two->reasons)) said.push_back(reason);
  EXPECT_THAT(said, Contains(HasSubstr("two sweeps cannot tell slack from a drift")));
}

// Best focus follows a temperature that falls by 4 C, 12 steps a degree: 48 steps in all. Where the
// rig says so (12 um a degree, 1 um a step), no drift is left and two sweeps measure the slack;
// the wrong sign would leave 96 steps of drift.
TEST(MeasureBacklash, AKnownTemperatureCoefficientTakesTheDriftOut) {
  const Sweeps cooling{.slack = 50, .noise = 0.005, .temperature_change_c = -4, .steps_per_c = 12};
  Rig known = rig();
  known.focus_um_per_c = 12;
  const auto unknown = measure_backlash(take(cooling), rig());
  ASSERT_TRUE(unknown && unknown->drift_steps);
  EXPECT_NEAR(*unknown->drift_steps, -48, 12);
  const auto corrected = measure_backlash(take(cooling), known);
  ASSERT_TRUE(corrected && corrected->drift_steps);
  EXPECT_NEAR(*corrected->drift_steps, 0, 12);
  EXPECT_NEAR(*corrected->backlash_steps, 50, 5);
  Sweeps two = cooling;
  two.count = 2;
  const auto corrected_two = measure_backlash(take(two), known);
  ASSERT_TRUE(corrected_two && corrected_two->backlash_steps);
  // The sweeps' middles are 24 steps apart: the wrong sign would make 98 or 2 of the 50.
  EXPECT_NEAR(*corrected_two->backlash_steps, 50, 8);
}

// Half again the slack, in fives, and beyond the interval's upper end.
TEST(MeasureBacklash, TheTakeUpIsHalfAgainTheSlack) {
  for (const double slack : {60.0, 200.0}) {
    const auto r = measure_backlash(take({.slack = slack}), rig());
    ASSERT_TRUE(r && r->takeup_steps) << slack;
    EXPECT_NEAR(*r->takeup_steps, 1.5 * slack, 0.05 * slack + 5) << slack;
    EXPECT_GT(*r->takeup_steps, *r->interval_95_steps.high);
    EXPECT_EQ(std::fmod(*r->takeup_steps, 5), 0);
  }
}

// The first sweep moves inward and the mechanism lags three quarters, or one quarter, of the play
// behind: so much of it is dead travel.
TEST(MeasureBacklash, SaysHowMuchDeadTravelTheFirstSweepBeganWith) {
  for (const double lag : {0.25, 0.75}) {
    const auto r = measure_backlash(take({.slack = 200, .noise = 0.003, .first_lag = lag}), rig());
    ASSERT_TRUE(r && !r->sweeps.empty()) << lag;
    ASSERT_TRUE(r->sweeps.front().slack_steps) << lag;
    EXPECT_NEAR(*r->sweeps.front().slack_steps, 200 * lag, 40) << lag;
  }
}

// Two standard deviations of the drift that is allowed for are 0.6 half zones, 16.5 steps.
TEST(MeasureBacklash, TwoSweepsAllowForDriftInAPause) {
  for (const double jump : {-10.0, 0.0, 10.0}) {
    const auto r =
        measure_backlash(take({.slack = 60, .noise = 0.01, .count = 2, .jump = jump}), rig());
    ASSERT_TRUE(r && r->backlash_steps) << jump;
    EXPECT_TRUE(r->interval_95_steps.contains(60)) << jump << ": " << *r->backlash_steps;
    EXPECT_GE(*r->interval_95_steps.high - *r->backlash_steps, 16) << jump;
    EXPECT_GE(*r->backlash_steps - *r->interval_95_steps.low, 16) << jump;
  }
}

// Thirteen times the curve's own width, in steps of more than two: the curve is seen by three
// points of each sweep, and by those that stand still.
TEST(MeasureBacklash, SlackManyTimesTheCurvesWidth) {
  for (unsigned seed = 1; seed <= 3; ++seed) {
    const auto r = measure_backlash(
        take({.slack = 1300, .noise = 0.01, .half_range = 910, .points = 9}, seed), rig());
    ASSERT_TRUE(r && r->backlash_steps);
    EXPECT_NEAR(*r->backlash_steps, 1300, 13) << seed;  // 1 %; 5 % are allowed
    EXPECT_LE(r->rejected_points, 1) << seed;
  }
}

TEST(MeasureBacklash, OneRecordIsTheSameAsThree) {
  const auto records = take({.slack = 60, .noise = 0.01});
  SweepRecord all;
  for (const auto& r : records) all.insert(all.end(), r.begin(), r.end());
  const auto apart = measure_backlash(records, rig());
  const auto together = measure_backlash(std::vector<SweepRecord>{all}, rig());
  ASSERT_TRUE(apart && together && apart->backlash_steps && together->backlash_steps);
  EXPECT_NEAR(*together->backlash_steps, *apart->backlash_steps, *apart->sigma_steps);
  EXPECT_EQ(together->sweeps.size(), 3U);
}

TEST(MeasureBacklash, ABadPointChangesLittle) {
  auto records = take({.slack = 60, .noise = 0.01});
  const auto clean = measure_backlash(records, rig());
  *records[1][5].size_px *= 1.6;
  const auto spoiled = measure_backlash(records, rig());
  ASSERT_TRUE(clean && spoiled && spoiled->backlash_steps);
  EXPECT_NEAR(*spoiled->backlash_steps, *clean->backlash_steps, 2 * *clean->sigma_steps);
  EXPECT_EQ(spoiled->rejected_points, 1);
}

// Shifting all positions shifts only best focus; scaling positions and um per step scales all.
TEST(MeasureBacklash, FollowsShiftAndScale) {
  auto records = take({.slack = 60, .noise = 0.01});
  const auto before = measure_backlash(records, rig());
  for (auto& record : records) {
    for (auto& p : record) p.position_steps = 10 * (p.position_steps + 1000);
  }
  Rig fine = rig();
  fine.um_per_step = 0.1;
  const auto after = measure_backlash(records, fine);
  ASSERT_TRUE(before && after);
  EXPECT_NEAR(*after->backlash_steps, 10 * *before->backlash_steps, 0.05);
  EXPECT_NEAR(*after->sweeps[0].best_focus_steps, 10 * (*before->sweeps[0].best_focus_steps + 1000),
              0.05);
}

// Where it begins inside its play, the first sweep stands still for an unknown part of it. Of ten
// intervals that mean 95 %, eight and more hold the truth in 99 % of all cases (binomial); the
// noise is about the 2 to 4 % by which the made hyperbola differs from a blurred star's curve.
TEST(MeasureBacklash, FirstSweepMayBeginAnywhereInsideThePlay) {
  int covered = 0;
  for (int i = 0; i < 10; ++i) {
    const auto r = measure_backlash(
        take({.slack = 200, .noise = 0.02, .count = 2, .first_lag = 0.05 + 0.1 * i},
             static_cast<unsigned>(50 + i)),
        rig());
    ASSERT_TRUE(r && r->backlash_steps) << i;
    EXPECT_NEAR(*r->backlash_steps, 200, 3 * *r->sigma_steps) << i;
    covered += r->interval_95_steps.contains(200) ? 1 : 0;
  }
  EXPECT_GE(covered, 8);
}

TEST(MeasureBacklash, SaysWhenNoSlackIsFoundAndWhenSweepsDisagreeTheWrongWay) {
  const auto none = measure_backlash(take({.slack = 0, .noise = 0.01}), rig());
  ASSERT_TRUE(none);
  EXPECT_FALSE(none->slack_found);
  EXPECT_THAT(texts_of(none->notes), Contains(HasSubstr("already taken with take-up")));
  auto swapped = take({.slack = 60, .noise = 0.005});
  for (auto& record : swapped) std::reverse(record.begin(), record.end());
  const auto wrong = measure_backlash(swapped, rig());
  ASSERT_TRUE(wrong);
  EXPECT_EQ(wrong->verdict, Verdict::doubtful);
  EXPECT_LT(*wrong->backlash_steps, 0);
}

bool has_note(const BacklashResult& result, std::string_view code) {
  return std::any_of(result.notes.begin(), result.notes.end(),
                     [code](const Statement& note) { return note.code == code; });
}

// In one record the reversals show dead travel, however the first sweep began.
TEST(MeasureBacklash, NotesOfDeadTravelAgreeWithTheSweeps) {
  SweepRecord all;
  for (const auto& r : take({.slack = 60, .noise = 0.01}))
    all.insert(all.end(), r.begin(), r.end());
  const auto result = measure_backlash(std::vector<SweepRecord>{all}, rig());
  ASSERT_TRUE(result && result->sweeps.size() == 3);
  ASSERT_TRUE(result->sweeps[1].slack_steps);
  EXPECT_NEAR(*result->sweeps[1].slack_steps, 60, 10);
  EXPECT_FALSE(has_note(*result, codes::no_dead_travel_seen));
}

// Fifteen steps are within the drift that two sweeps allow for, and clear of their own errors.
TEST(MeasureBacklash, TwoSweepsThatDifferAreNotCalledFreeOfSlack) {
  const auto result =
      measure_backlash(take({.slack = 15, .noise = 0.003, .count = 2, .points = 25}), rig());
  ASSERT_TRUE(result && result->sweeps.size() == 2);
  EXPECT_FALSE(result->slack_found);
  EXPECT_TRUE(has_note(*result, codes::slack_or_drift));
  EXPECT_FALSE(has_note(*result, codes::no_slack_found));
  EXPECT_EQ(backlash_text(*result).find("none found"), std::string::npos);
}

TEST(MeasureBacklash, NeedsBothDirectionsAndSoundNumbers) {
  const auto one = measure_backlash(take({.slack = 60, .count = 1}), rig());
  ASSERT_TRUE(one);
  EXPECT_EQ(one->verdict, Verdict::unusable);
  EXPECT_FALSE(one->backlash_steps);
  EXPECT_EQ(measure_backlash({}, rig())->verdict, Verdict::unusable);
  auto records = take({.slack = 60});
  records[0][0].size_px = std::nan("");
  EXPECT_FALSE(measure_backlash(records, rig()));
  auto flat = take({.slack = 60});
  for (auto& record : flat) {
    for (auto& p : record) p.size_px = 2;
  }
  EXPECT_NE(measure_backlash(flat, rig())->verdict, Verdict::trusted);
  auto same = take({.slack = 60});
  for (auto& record : same) {
    for (auto& p : record) p.position_steps = 5000;
  }
  EXPECT_EQ(measure_backlash(same, rig())->verdict, Verdict::unusable);
}

TEST(MeasureBacklash, FinalDirectionIsAgainstGravity) {
  const auto records = take({.slack = 60});
  BacklashOptions options;
  options.lifting = Direction::outward;
  options.altitude_deg = 60;
  EXPECT_EQ(measure_backlash(records, rig(), options)->final_direction, Direction::outward);
  // Pointing below the horizon the load hangs the other way.
  options.altitude_deg = -60;
  EXPECT_EQ(measure_backlash(records, rig(), options)->final_direction, Direction::inward);
  options.final_direction = Direction::outward;
  EXPECT_EQ(measure_backlash(records, rig(), options)->final_direction, Direction::outward);
}

TEST(MeasureBacklash, MoveGoesPastBestFocusByTheTakeUpAndComesBack) {
  const auto r = measure_backlash(take({.slack = 60, .noise = 0.01}), rig());
  ASSERT_TRUE(r && r->move && r->move->via_steps);
  EXPECT_EQ(r->final_direction, Direction::inward);
  EXPECT_NEAR(static_cast<double>(r->move->to_steps), 5030, 4);  // where inward sweeps find it
  EXPECT_NEAR(static_cast<double>(*r->move->via_steps - r->move->to_steps), *r->takeup_steps, 1);
  const auto none = measure_backlash(std::vector<SweepRecord>{}, rig());
  ASSERT_TRUE(none);
  EXPECT_FALSE(none->move);
}

TEST(MeasureBacklash, TakeUpStaysWithinTheLimits) {
  Rig tight = rig();
  tight.max_position_steps = 5060;  // best focus 5030 and 90 of take-up are beyond
  const auto r = measure_backlash(take({.slack = 60, .noise = 0.01}), tight);
  ASSERT_TRUE(r);
  EXPECT_EQ(r->verdict, Verdict::doubtful);
  EXPECT_THAT(texts_of(r->reasons), Contains(HasSubstr("beyond the focuser's limits")));
}

// Inward the take-up would begin at 5030 + 90; outward it begins at 5090 - 90.
TEST(MeasureBacklash, TheFinalDirectionAvoidsALimitUnlessItWasAsked) {
  Rig limited = rig();
  limited.max_position_steps = 5110;
  const auto records = take({.slack = 60, .noise = 0.01});
  const auto r = measure_backlash(records, limited);
  ASSERT_TRUE(r);
  EXPECT_EQ(r->final_direction, Direction::outward);
  EXPECT_EQ(r->verdict, Verdict::trusted);
  EXPECT_THAT(texts_of(r->notes), Contains(HasSubstr("beyond the focuser's limits")));
  BacklashOptions options;
  options.final_direction = Direction::inward;
  const auto asked = measure_backlash(records, limited, options);
  ASSERT_TRUE(asked);
  EXPECT_EQ(asked->final_direction, Direction::inward);
  EXPECT_EQ(asked->verdict, Verdict::doubtful);
  EXPECT_THAT(texts_of(asked->reasons), Contains(HasSubstr("approach from the other side")));
}

TEST(VerifyTakeup, ReportsWhetherSlackIsLeft) {
  auto result = measure_backlash(take({.slack = 120, .noise = 0.01}), rig());
  ASSERT_TRUE(result);
  // One sweep that begins with its slack taken up, and one that does not.
  const auto good = take({.slack = 120, .noise = 0.01, .count = 1, .first_lag = 0}, 5);
  ASSERT_TRUE(verify_takeup(good, rig(), *result));
  ASSERT_TRUE(result->remaining_steps);
  EXPECT_LT(*result->remaining_steps, 20);
  const auto bad = take({.slack = 120, .noise = 0.01, .count = 1, .first_lag = 1}, 5);
  ASSERT_TRUE(verify_takeup(bad, rig(), *result));
  ASSERT_TRUE(result->remaining_steps);
  EXPECT_NEAR(*result->remaining_steps, 120, 15);
  // Sweeps in both directions.
  ASSERT_TRUE(verify_takeup(take({.slack = 30, .noise = 0.01}, 6), rig(), *result));
  EXPECT_NEAR(*result->remaining_steps, 30, 8);
}

}  // namespace
}  // namespace starwaist
