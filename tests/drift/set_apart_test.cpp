// Runs that a shift, a lag or a doubt sets apart, and what drift says where it guesses.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <random>
#include <string_view>
#include <vector>

#include "drift/made_runs.h"
#include "starwaist/codes.h"
#include "starwaist/drift.h"
#include "support/drift_nights.h"

namespace starwaist {
namespace {

using testing::Contains;
using testing::HasSubstr;
using testing_support::make_nights;
using testing_support::Nights;
using testing_support::NightsOptions;

bool has_note(const DriftResult& r, std::string_view code) {
  return std::any_of(r.notes.begin(), r.notes.end(),
                     [code](const Statement& note) { return note.code == code; });
}

// Eleven of 27 good runs would be lost if the smaller part went.
TEST(FitDrift, RunsOnBothSidesOfAShiftShareOneSlopeAndCount) {
  std::mt19937_64 random(4);
  NightsOptions o;
  o.nights = 3;
  o.runs_a_night = 9;
  o.jump_at = 16;
  o.jump_steps = -70;
  const Nights made = make_nights(o, random);
  DriftOptions asked;
  asked.predictions = {{*made.runs.back().temperature_c, {}, {}}};
  const DriftResult r = fitted(made.runs, asked);
  EXPECT_TRUE(r.rejected.empty());
  EXPECT_EQ(r.used, 27);
  EXPECT_TRUE(r.slope_interval_95.contains(made.slope));
  ASSERT_TRUE(has_note(r, codes::level_shifted));
  EXPECT_THAT(texts_of(r.notes), Contains(HasSubstr("at row 17")));
  // Predictions are of the level that the last runs have.
  EXPECT_TRUE(r.predictions[0].interval_95_steps.contains(made.true_focus.back() - 70));
  const DriftResult before = fitted({made.runs.begin(), made.runs.begin() + 16});
  EXPECT_LT(*r.slope_sigma, *before.slope_sigma);
}

// A lag bends each night and sets whole nights apart: it is tried before runs are thrown out.
TEST(FitDrift, ALagIsNotTakenForBadRunsOrShifts) {
  std::mt19937_64 random(40);
  int set_apart = 0;
  constexpr int kTrials = 12;
  for (int trial = 0; trial < kTrials; ++trial) {
    NightsOptions o;
    o.nights = 5;
    o.runs_a_night = 8;
    o.scatter = 1.5;
    o.sigma_high = 2;
    o.slope = -20;
    o.lag_minutes = 75;
    const DriftResult r = fitted(make_nights(o, random).runs);
    const auto shifts = std::count_if(r.notes.begin(), r.notes.end(), [](const Statement& note) {
      return note.code == codes::level_shifted;
    });
    set_apart += static_cast<int>(r.rejected.size()) + 4 * static_cast<int>(shifts);
  }
  EXPECT_LE(set_apart, 2 * kTrials);  // of 40 runs each
}

TEST(FitDrift, AQuarterRejectedIsDoubtful) {
  std::vector<DriftRun> runs;
  const double scatter[] = {0.4, -0.7, 0.2, 0.9, -0.5, -0.3, 0.8, -0.6, 0.1, -0.2, 0.5, -0.9};
  for (int i = 0; i < 12; ++i) {
    runs.push_back(run(i + 1, 5000 - 10.0 * i + scatter[i], i));
    runs.back().sigma_steps = 1;
  }
  EXPECT_EQ(fitted(runs).verdict, Verdict::trusted);
  runs[2].position_steps += 70;
  runs[5].position_steps -= 90;
  runs[9].position_steps += 120;
  const DriftResult r = fitted(runs);
  EXPECT_EQ(r.rejected.size(), 3U);
  EXPECT_EQ(r.verdict, Verdict::doubtful);
}

TEST(FitDrift, DoubtfulRunsWeighLessAndAreCounted) {
  std::vector<DriftRun> runs;
  const double scatter[] = {0.4, -0.7, 0.2, 0.9, -0.5, -0.3, 0.8, -0.6, 0.1, -0.2};
  for (int i = 0; i < 10; ++i) {
    runs.push_back(run(i + 1, 5000 - 10.0 * i + scatter[i], i));
    runs.back().sigma_steps = 2;
  }
  // The two warmest lie off by some sigmas: not bad for certain.
  runs[8].position_steps += 4;
  runs[9].position_steps += 5;
  const DriftResult alike = fitted(runs);
  const DriftResult without = fitted({runs.begin(), runs.begin() + 8});
  runs[8].doubtful = runs[9].doubtful = true;
  const DriftResult r = fitted(runs);
  EXPECT_EQ(r.used, 10);
  EXPECT_EQ(r.doubtful, 2);
  EXPECT_TRUE(has_note(r, codes::doubtful_runs));
  EXPECT_FALSE(has_note(alike, codes::doubtful_runs));
  EXPECT_LT(*r.slope_steps_per_c, *alike.slope_steps_per_c - 0.05);
  EXPECT_GT(*r.slope_steps_per_c, *without.slope_steps_per_c);
}

TEST(FitDrift, PredictionsBeyondTheTemperaturesThatWereSeenWidenAndSaySo) {
  std::mt19937_64 random(6);
  NightsOptions o;
  o.nights = 3;
  const Nights made = make_nights(o, random);
  double coldest = 100;
  for (const DriftRun& one : made.runs) coldest = std::min(coldest, *one.temperature_c);
  DriftOptions asked;
  asked.half_zone_steps = 20;
  asked.predictions = {{coldest, {}, {}}, {coldest - 8, {}, {}}};
  const DriftResult r = fitted(made.runs, asked);
  EXPECT_FALSE(r.predictions[0].beyond_c);
  ASSERT_TRUE(r.predictions[1].beyond_c);
  EXPECT_NEAR(*r.predictions[1].beyond_c, 8, 1e-9);
  // A slope that is another by a quarter there still lies inside.
  const Interval& far = r.predictions[1].interval_95_steps;
  EXPECT_TRUE(far.contains(*r.predictions[1].position_steps + 8 * 0.25 * *r.slope_steps_per_c));
  EXPECT_LT(*r.predictions[1].probability_in_zone, *r.predictions[0].probability_in_zone);
  EXPECT_TRUE(has_note(r, codes::beyond_temperatures));
}

TEST(FitDrift, ASlopeThatMayBeNoneIsSaidToBeNone) {
  std::mt19937_64 random(7);
  NightsOptions o;
  o.nights = 2;
  o.slope = 0.4;
  o.scatter = 8;
  EXPECT_TRUE(has_note(fitted(make_nights(o, random).runs), codes::no_slope));
  o.slope = -12;
  EXPECT_FALSE(has_note(fitted(make_nights(o, random).runs), codes::no_slope));
}

}  // namespace
}  // namespace starwaist
