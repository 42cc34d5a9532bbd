#include "starwaist/night.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <random>
#include <string>
#include <vector>

#include "starwaist/codes.h"
#include "support/night_sessions.h"

namespace starwaist {
namespace {

using testing::Contains;
using testing::Each;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::SizeIs;
using testing_support::NightMaker;
using testing_support::NightSession;

// A quiet night: frames five minutes apart, sizes of 2 px that wander by a percent.
std::vector<NightFrame> quiet_night(std::size_t count, unsigned seed = 1) {
  std::mt19937 random(seed);
  std::normal_distribution<> noise;
  std::vector<NightFrame> frames(count);
  for (std::size_t i = 0; i < count; ++i) {
    NightFrame& f = frames[i];
    f.file = "light_" + std::to_string(100 + i) + ".fits";
    f.time_s = 1.8e9 + 300.0 * static_cast<double>(i);
    f.exposure_s = 280;
    f.filter = "L";
    f.position_steps = 5000;
    f.temperature_c = 8;
    f.size_px = 2 * (1 + 0.01 * noise(random));
    f.size_sigma_px = 0.01;
    f.eccentricity = 0.3;
    f.elongation_coherence = 0.1;
    f.dimming_mag = 0.01 * noise(random);
    f.dimming_sigma_mag = 0.01;
    f.sky_noise_adu = 10;
  }
  return frames;
}

std::vector<std::string> causes_of(const NightResult& result) {
  std::vector<std::string> causes;
  for (const auto& period : result.periods) causes.push_back(period.cause);
  return causes;
}

TEST(BestRefocusCycle, FollowsTheClosedFormOfSlowDrift) {
  // d/dP of (R + P^3 / 3) / P = 0 at P = (3 R / 2)^(1/3); the next order of x^2 / (1 + x^2) and
  // of the refocus in the cycle is below 2 % here.
  for (const double refocus : {1e-6, 1e-5, 1e-4}) {
    EXPECT_NEAR(best_refocus_cycle(refocus) / std::cbrt(1.5 * refocus), 1, 0.02) << refocus;
  }
}

TEST(BestRefocusCycle, IsTheLeastOfTheTimeLostSummedUp) {
  const double refocus = 0.05;
  const auto share = [&](double cycle) {
    double lost = 0;
    constexpr int kSteps = 4000;
    for (int k = 0; k < kSteps; ++k) {
      const double x = cycle * (k + 0.5) / kSteps;
      lost += cycle / kSteps * x * x / (1 + x * x);
    }
    return (refocus + lost) / (refocus + cycle);
  };
  const double best = best_refocus_cycle(refocus);
  for (const double other : {0.8, 0.9, 1.1, 1.25}) EXPECT_GT(share(other * best), share(best));
}

TEST(AirMass, AgreesWithPublishedTables) {
  // Kasten & Young 1989, Applied Optics 28, 4735, table II (from memory): 1.9939 at 30 degrees,
  // 5.5841 at 10.
  EXPECT_NEAR(air_mass(90), 1, 1e-4);
  EXPECT_NEAR(air_mass(30), 1.994, 0.004);
  EXPECT_NEAR(air_mass(10), 5.58, 0.04);
}

TEST(JudgeNight, AQuietNightHasNoPeriodAndNoRule) {
  const auto judged = judge_night(quiet_night(40));
  ASSERT_TRUE(judged.has_value());
  EXPECT_THAT(judged->result.periods, IsEmpty());
  EXPECT_EQ(judged->result.verdict, Verdict::trusted);
  EXPECT_FALSE(judged->result.refocus_rule.every_c);
  EXPECT_FALSE(judged->result.refocus_rule.every_minutes);
  EXPECT_FALSE(judged->result.refocus_rule.when_size_px);
  ASSERT_THAT(judged->result.filters, SizeIs(1));
  // The middle of the best quarter of a one per cent scatter: 1.15 sigma below (normal table).
  EXPECT_NEAR(*judged->result.filters[0].best_size_px, 2 * (1 - 0.0115), 0.012);
}

TEST(JudgeNight, ASuddenStepIsAJumpFromItsVeryFrame) {
  auto frames = quiet_night(40);
  for (std::size_t i = 22; i < 40; ++i) *frames[i].size_px *= 1.3;
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("focus_jump"));
  const NightPeriod& period = judged->result.periods[0];
  EXPECT_EQ(period.from_file, frames[22].file);
  EXPECT_EQ(period.to_file, frames[39].file);
  EXPECT_EQ(period.frames, 18);
  EXPECT_TRUE(period.focus_lost);
  EXPECT_EQ(*period.from_utc, "2027-01-15T09:50:00");  // date -u -d @1800006600
  // 30 % of size and the 1.2 % between typical and best; of the scatter's mean 0.3 % is left.
  EXPECT_NEAR(period.loss_percent, 31.5, 1.5);
  // What 1 - 1 / 1.3^2 of 18 exposures is, the step known to a per cent.
  EXPECT_NEAR(period.exposure_lost_s, 18 * 280 * (1 - 1 / 1.69), 100);
  EXPECT_NEAR(*judged->frames[30].focus_loss_percent, 30, 2);
  EXPECT_NEAR(*judged->frames[10].focus_loss_percent, 0, 0.1);
  EXPECT_EQ(judged->frames[30].cause, "focus_jump");
}

TEST(JudgeNight, ARefocusEndsAJump) {
  auto frames = quiet_night(40);
  for (std::size_t i = 15; i < 27; ++i) *frames[i].size_px *= 1.3;
  for (std::size_t i = 27; i < 40; ++i) frames[i].position_steps = 5041;
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  EXPECT_EQ(judged->result.refocuses, 1);
  ASSERT_THAT(causes_of(judged->result), ElementsAre("focus_jump"));
  EXPECT_EQ(judged->result.periods[0].to_file, frames[26].file);
}

TEST(JudgeNight, ARefocusAfterWhichStarsAreLargerMissed) {
  auto frames = quiet_night(45);
  for (std::size_t i = 15; i < 45; ++i) frames[i].position_steps = i < 30 ? 5200 : 5010;
  for (std::size_t i = 15; i < 30; ++i) *frames[i].size_px *= 1.35;
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("missed_focus"));
  EXPECT_EQ(judged->result.periods[0].from_file, frames[15].file);
  EXPECT_EQ(judged->result.periods[0].to_file, frames[29].file);
}

// Sizes by the sum of variances, x = 0.45 per degree since the refocus at every 24th frame, which
// cools 1.5 degrees in two hours.
std::vector<NightFrame> drifting_night() {
  auto frames = quiet_night(96, 5);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double h = static_cast<double>(i) / 12;
    // Cooling and warming in turn, so that time cannot stand in for it.
    const double t = 8 + 1.8 * std::sin(h * 1.1);
    const double t0 = 8 + 1.8 * std::sin(static_cast<double>(i / 24) * 2 * 1.1);
    frames[i].temperature_c = t;
    frames[i].position_steps = 5000 + 30.0 * static_cast<double>(i / 24);
    *frames[i].size_px *= std::sqrt(1 + std::pow(0.45 * (t - t0), 2));
  }
  return frames;
}

// A size of 0.95 px in focus that grows for two hours, x up to 1.9, and is set right by hand.
std::vector<NightFrame> refocused_by_hand(unsigned seed, bool positions) {
  std::mt19937 random(seed);
  std::normal_distribution<> noise;
  std::vector<NightFrame> frames = quiet_night(48, seed);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double x = i < 30 ? 1.9 * static_cast<double>(i) / 29 : 0;
    frames[i].size_px = 0.95 * std::sqrt(1 + x * x) * (1 + 0.015 * noise(random));
    if (!positions) frames[i].position_steps.reset();
  }
  return frames;
}

TEST(JudgeNight, ARefocusByHandIsSeenThoughThePositionStays) {
  for (unsigned seed = 1; seed <= 10; ++seed) {
    const auto frames = refocused_by_hand(seed, true);
    const auto judged = judge_night(frames);
    ASSERT_TRUE(judged) << judged.error().text();
    const NightResult& r = judged->result;
    EXPECT_EQ(r.refocuses, 1) << seed;
    ASSERT_FALSE(r.periods.empty()) << seed;
    EXPECT_TRUE(r.periods.front().focus_lost) << seed;
    EXPECT_EQ(r.periods.back().to_file, frames[29].file) << seed;
    ASSERT_TRUE(r.filters.front().best_size_px);
    EXPECT_NEAR(*r.filters.front().best_size_px, 0.95, 0.03) << seed;
    EXPECT_TRUE(std::any_of(r.notes.begin(), r.notes.end(), [](const Statement& note) {
      return note.code == codes::position_stale;
    })) << seed;
    for (std::size_t i = 32; i < frames.size(); ++i) {
      EXPECT_LT(judged->frames[i].loss_percent.value_or(0), 6) << seed << ": " << i;
    }
  }
}

TEST(JudgeNight, WithoutPositionsNothingIsReachedThatWasNotMeasured) {
  for (unsigned seed = 1; seed <= 10; ++seed) {
    const auto frames = refocused_by_hand(seed, false);
    const auto judged = judge_night(frames);
    ASSERT_TRUE(judged) << judged.error().text();
    double smallest = 100;
    double lost_s = 0;  // of the time, by physics: 1 - 1 / (1 + x^2)
    for (std::size_t i = 0; i < frames.size(); ++i) {
      smallest = std::min(smallest, *frames[i].size_px);
      const double x = i < 30 ? 1.9 * static_cast<double>(i) / 29 : 0;
      lost_s += 280 * (1 - 1 / (1 + x * x));
    }
    ASSERT_TRUE(judged->result.filters.front().best_size_px);
    EXPECT_GE(*judged->result.filters.front().best_size_px, smallest) << seed;
    EXPECT_NEAR(judged->result.focus_lost_s, lost_s, 0.12 * lost_s) << seed;
  }
}

TEST(JudgeNight, DriftWithTemperatureGivesItsRule) {
  const auto frames = drifting_night();
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  EXPECT_THAT(causes_of(judged->result), Each("thermal_drift"));
  ASSERT_THAT(judged->result.periods, testing::Not(IsEmpty()));
  for (const auto& period : judged->result.periods) EXPECT_THAT(period.also_possible, IsEmpty());
  const RefocusRule& rule = judged->result.refocus_rule;
  ASSERT_TRUE(rule.every_c && rule.every_minutes);
  EXPECT_EQ(rule.basis, RefocusBasis::time);
  // Rate of temperature from refocus to refocus, by hand: |sin| differences over 23 frames.
  double change = 0;
  for (int e = 0; e < 4; ++e) {
    change += std::abs(*frames[static_cast<std::size_t>(24 * e + 23)].temperature_c -
                       *frames[static_cast<std::size_t>(24 * e)].temperature_c);
  }
  const double rate = change / (4 * 23.0 / 12);
  const double cycle_c = best_refocus_cycle(5.0 / 60 * 0.45 * rate) / 0.45;
  // The rate is known to some per cent from a one per cent scatter; the cycle goes as its -2/3.
  EXPECT_NEAR(*rule.every_c / cycle_c, 1, 0.1);
  EXPECT_NEAR(*rule.every_minutes / (60 * cycle_c / rate), 1, 0.12);
}

TEST(JudgeNight, WithAKnownRigTheRuleIsHalfTheZone) {
  NightOptions options;
  options.half_zone_steps = 20;
  options.arm_slope_px_per_step = 0.03;
  const auto judged = judge_night(drifting_night(), options);
  ASSERT_TRUE(judged.has_value());
  const RefocusRule& rule = judged->result.refocus_rule;
  ASSERT_TRUE(rule.every_c);
  EXPECT_EQ(rule.basis, RefocusBasis::zone);
  // x at the zone's edge: 20 steps * 0.03 px / 2 px, less a tenth near focus; 0.45 a degree.
  EXPECT_NEAR(*rule.every_c, 0.9 * 0.3 / 0.45, 0.06);
  // One rule, in a sentence of its own.
  const std::string first = rule.summary.substr(0, rule.summary.find(". "));
  EXPECT_THAT(first, HasSubstr("Refocus every"));
  EXPECT_EQ(rule.summary.find("every", first.size()), std::string::npos) << rule.summary;
  EXPECT_EQ(rule.summary.find("paid"), std::string::npos) << rule.summary;
}

TEST(JudgeNight, ALongerRefocusPaysLaterAndSo) {
  NightOptions quick;
  quick.refocus_minutes = 2;
  NightOptions slow;
  slow.refocus_minutes = 16;
  const auto a = judge_night(drifting_night(), quick);
  const auto b = judge_night(drifting_night(), slow);
  ASSERT_TRUE(a.has_value() && b.has_value());
  // Eight times the cost, twice the cycle: the cube root of the closed form, to a fifth for what
  // drift is not slow.
  EXPECT_NEAR(*b->result.refocus_rule.every_c / *a->result.refocus_rule.every_c, 2, 0.4);
}

TEST(JudgeNight, SaysSoWhereTimeAndTemperatureWentTogether) {
  auto frames = quiet_night(72, 3);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double h = static_cast<double>(i) / 12;
    const double h0 = 2 * std::floor(h / 2);
    frames[i].temperature_c = 8 - 0.8 * h;
    frames[i].position_steps = 5000 + 10 * h0;
    *frames[i].size_px *= std::sqrt(1 + std::pow(0.4 * (h - h0), 2));
  }
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(judged->result.periods, testing::Not(IsEmpty()));
  for (const auto& period : judged->result.periods) {
    EXPECT_EQ(period.cause, "thermal_drift");
    EXPECT_THAT(period.also_possible, Contains("focus_drift"));
  }
}

TEST(JudgeNight, WithoutTemperatureTheSameIsADriftWithTime) {
  auto frames = quiet_night(72, 3);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double h = static_cast<double>(i) / 12;
    const double h0 = 2 * std::floor(h / 2);
    frames[i].temperature_c.reset();
    frames[i].position_steps = 5000 + 10 * h0;
    *frames[i].size_px *= std::sqrt(1 + std::pow(0.4 * (h - h0), 2));
  }
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  EXPECT_THAT(causes_of(judged->result), Each("focus_drift"));
  EXPECT_THAT(judged->result.periods, SizeIs(3));
  EXPECT_FALSE(judged->result.refocus_rule.every_c);
  ASSERT_TRUE(judged->result.refocus_rule.every_minutes);
  EXPECT_NEAR(*judged->result.refocus_rule.every_minutes,
              60 * best_refocus_cycle(5.0 / 60 * 0.4) / 0.4, 6);
}

TEST(JudgeNight, LightLostToTheEndWithoutGrowthMayBeCloudOrDew) {
  auto frames = quiet_night(40);
  for (std::size_t i = 25; i < 40; ++i) {
    *frames[i].dimming_mag += 0.06 * static_cast<double>(i - 24);
  }
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("passing_cloud"));
  EXPECT_THAT(judged->result.periods[0].also_possible, ElementsAre("fogging"));
  EXPECT_FALSE(judged->result.periods[0].focus_lost);
  EXPECT_EQ(judged->result.verdict, Verdict::doubtful);
}

TEST(JudgeNight, ElongationThatGrowsWithDefocusIsNoMotion) {
  auto frames = quiet_night(40);
  for (std::size_t i = 20; i < 40; ++i) {
    *frames[i].size_px *= 1.6;  // much more than one axis drawn out by a quarter would give
    frames[i].eccentricity = 0.6;
    frames[i].elongation_coherence = 0.8;
  }
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  EXPECT_THAT(causes_of(judged->result), ElementsAre("focus_jump"));
}

// Physics: the noise under a star goes as its area, so time is lost as (light / size)^2.
TEST(JudgeNight, ACloudTakesTheSquareOfTheLight) {
  auto frames = quiet_night(40);
  for (std::size_t i = 15; i < 25; ++i) *frames[i].dimming_mag += 1;
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("passing_cloud"));
  const NightPeriod& period = judged->result.periods[0];
  EXPECT_EQ(period.from_file, frames[15].file);
  EXPECT_EQ(period.frames, 10);
  // The clear sky is the brightest quarter of a scatter of 0.01 mag: 0.007 mag above the middle.
  constexpr double kFaintest = 0.02;  // magnitudes, of ten frames' mean and that quarter
  const double kept = std::pow(10, -0.8);
  EXPECT_NEAR(period.exposure_lost_s, 10 * 280 * (1 - kept), 10 * 280 * kept * 1.84 * kFaintest);
  EXPECT_NEAR(*judged->frames[20].light_percent, 100 * std::pow(10, -0.4), 2);
  // Size costs as well: what the frame is worth is the light's share, less some per cent.
  EXPECT_NEAR(*judged->frames[20].worth_percent, 100 * kept, 1.5);
}

// Size goes as air mass to the 0.6 (Kolmogorov): what altitude takes no focus and no frame has
// lost.
TEST(JudgeNight, WhatAltitudeTakesIsNoLoss) {
  auto frames = quiet_night(60);
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double altitude = 85 - static_cast<double>(i);
    frames[i].altitude_deg = altitude;
    const double air = 1 / std::sin(altitude * 3.14159265358979 / 180);  // flat: 0.4 % off at 26
    *frames[i].size_px *= std::pow(air, 0.6);
  }
  ASSERT_GT(*frames[59].size_px, 1.5 * *frames[0].size_px);
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  EXPECT_THAT(judged->result.periods, IsEmpty());
  double grown = 0;
  for (std::size_t i = 40; i < 60; ++i) grown += *judged->frames[i].loss_percent / 20;
  // 1.2 % between typical and best; 0.6 is not the usual power, 0.52, to which the fit leans.
  EXPECT_NEAR(grown, 1.2, 2.5);
}

// A trail whose axes are as a to b multiplies the second moment by (1 + (a / b)^2) / 2 and adds
// nothing to defocus. It lasts to the end of the night, as a jump of focus would.
TEST(JudgeNight, WhatMotionAddsToTheSizeIsNoLostFocus) {
  auto frames = quiet_night(40);
  constexpr double kAxes = 1.6;
  for (std::size_t i = 26; i < 40; ++i) {
    frames[i].eccentricity = std::sqrt(1 - 1 / (kAxes * kAxes));
    frames[i].elongation_coherence = 0.9;
    *frames[i].size_px *= std::sqrt((1 + kAxes * kAxes) / 2);
  }
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("image_motion"));
  EXPECT_EQ(judged->result.periods[0].from_file, frames[26].file);
  EXPECT_EQ(judged->result.periods[0].to_file, frames[39].file);
  for (std::size_t i = 26; i < 40; ++i) {
    EXPECT_NEAR(*judged->frames[i].focus_loss_percent, 0, 0.1) << i;
  }
  // 33.4 % by that, and the 1.2 % between typical and best.
  EXPECT_NEAR(judged->result.periods[0].loss_percent, 35, 1);
}

TEST(JudgeNight, RefusesFewerThanThreeAndNumbersThatAreNone) {
  const auto few = judge_night(quiet_night(2));
  ASSERT_FALSE(few.has_value());
  EXPECT_EQ(few.error().code, ErrorCode::no_data);
  EXPECT_THAT(few.error().message, HasSubstr("three"));
  auto frames = quiet_night(10);
  frames[4].temperature_c = std::numeric_limits<double>::quiet_NaN();
  const auto bad = judge_night(frames);
  ASSERT_FALSE(bad.has_value());
  EXPECT_EQ(bad.error().code, ErrorCode::invalid_argument);
  EXPECT_THAT(bad.error().message, HasSubstr(frames[4].file));
}

TEST(JudgeNight, FewFramesAreDoubtful) {
  const auto judged = judge_night(quiet_night(5));
  ASSERT_TRUE(judged.has_value());
  EXPECT_EQ(judged->result.verdict, Verdict::doubtful);
  EXPECT_THAT(judged->result.periods, IsEmpty());
}

TEST(JudgeNight, SaysNoTimesWhereThereAreNone) {
  auto frames = quiet_night(40);
  for (auto& f : frames) f.time_s.reset();
  for (std::size_t i = 22; i < 40; ++i) *frames[i].size_px *= 1.3;
  const auto judged = judge_night(frames);
  ASSERT_TRUE(judged.has_value());
  ASSERT_THAT(causes_of(judged->result), ElementsAre("focus_jump"));
  EXPECT_FALSE(judged->result.periods[0].from_utc);
  EXPECT_FALSE(judged->result.periods[0].to_utc);
  EXPECT_EQ(judged->result.periods[0].from_file, frames[22].file);
  EXPECT_FALSE(judged->result.refocus_rule.every_minutes);
  EXPECT_EQ(judged->result.verdict, Verdict::doubtful);
}

TEST(JudgeNight, DoesNotDependOnTheOrderGivenNorOnThePixel) {
  NightMaker maker(9);
  NightSession night = maker.make({{"thermal_drift", "passing_cloud"}});
  const auto before = judge_night(night.frames);
  ASSERT_TRUE(before.has_value());
  std::mt19937 random(2);
  std::shuffle(night.frames.begin(), night.frames.end(), random);
  for (auto& f : night.frames) {
    *f.size_px *= 3;
    *f.size_sigma_px *= 3;
    *f.dimming_mag += 7;
  }
  const auto after = judge_night(night.frames);
  ASSERT_TRUE(after.has_value());
  ASSERT_EQ(causes_of(before->result), causes_of(after->result));
  for (std::size_t k = 0; k < before->result.periods.size(); ++k) {
    EXPECT_EQ(before->result.periods[k].from_file, after->result.periods[k].from_file);
    EXPECT_EQ(before->result.periods[k].to_file, after->result.periods[k].to_file);
    EXPECT_NEAR(before->result.periods[k].loss_percent, after->result.periods[k].loss_percent,
                1e-6);
  }
}

// Wandering seeing, clouds and the rest from closed forms of their own; night_bench has thousands.
TEST(JudgeNight, HealthyNightsHaveNoPeriod) {
  int with = 0;
  for (std::uint64_t seed = 1; seed <= 12; ++seed) {
    NightMaker maker(500 + seed);
    const auto judged = judge_night(maker.make({{"healthy"}}).frames);
    ASSERT_TRUE(judged.has_value());
    with += judged->result.periods.empty() ? 0 : 1;
  }
  EXPECT_LE(with, 1);
}

TEST(JudgeNight, FindsEachTrouble) {
  for (const char* cause :
       {"thermal_drift", "focus_drift", "focus_jump", "missed_focus", "passing_cloud", "fogging",
        "image_motion", "bad_seeing", "background_change"}) {
    int nights = 0;
    int found = 0;
    for (std::uint64_t seed = 1; nights < 3; ++seed) {
      NightMaker maker(700 + seed);
      // Where a thermometer reports, time and temperature may go together.
      const bool thermometer = std::string(cause) != "focus_drift";
      const NightSession night = maker.make({{cause}, true, thermometer});
      if (night.spells.empty()) continue;
      ++nights;
      const auto judged = judge_night(night.frames);
      ASSERT_TRUE(judged.has_value());
      const auto causes = causes_of(judged->result);
      found += std::count(causes.begin(), causes.end(), cause) > 0 ? 1 : 0;
    }
    EXPECT_GE(found, 2) << cause;
  }
}

}  // namespace
}  // namespace starwaist
