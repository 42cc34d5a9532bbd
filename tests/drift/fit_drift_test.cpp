#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <random>
#include <string>
#include <vector>

#include "drift/made_runs.h"
#include "numerics/linear_fit.h"
#include "starwaist/codes.h"
#include "starwaist/drift.h"
#include "starwaist/statistics.h"
#include "support/drift_nights.h"
#include "support/needed.h"
#include "support/nist_tables.h"

namespace starwaist {
namespace {

using testing::HasSubstr;
using testing_support::make_nights;
using testing_support::matching_digits;
using testing_support::Nights;
using testing_support::NightsOptions;
using testing_support::nist_path;
using testing_support::NistTable;
using testing_support::read_nist;

// ---- against sources outside the project ----

// NIST's Statistical Reference Datasets, Norris: certified values in the file of gretl-data.
TEST(FitDrift, GivesTheCertifiedLineOfNorris) {
  const NistTable table = read_nist("Norris");
  STARWAIST_NEEDS(!table.x.empty(), nist_path("Norris") << " is absent: install gretl-data");
  std::vector<DriftRun> runs;
  for (std::size_t i = 0; i < table.x.size(); ++i) {
    runs.push_back(run(static_cast<int>(i) + 1, table.y[i], table.x[i]));
  }
  ASSERT_EQ(runs.size(), 36U);
  const DriftResult r = fitted(runs);
  ASSERT_TRUE(r.slope_steps_per_c);
  EXPECT_EQ(r.used, 36);
  EXPECT_GE(matching_digits(*r.slope_steps_per_c, 1.00211681802045), 8);
  EXPECT_GE(matching_digits(
                *r.position_at_reference_steps - *r.slope_steps_per_c * *r.reference_temperature_c,
                -0.262323073774029),
            8);
  // Without sigmas the intervals are Student's with 34 degrees of freedom.
  const double certified_sigma = 0.429796848199937e-3;
  EXPECT_GE(matching_digits(*r.slope_interval_95.high - *r.slope_steps_per_c,
                            student_t_quantile(0.975, 34) * certified_sigma),
            6);
  EXPECT_GE(matching_digits(*r.slope_sigma,
                            student_t_quantile(0.5 + 0.6826894921370859 / 2, 34) * certified_sigma),
            6);
}

// ROTSE-III's published bilinear model, mm and Fahrenheit, at altitude 45 degrees: 0.0119 mm per
// degree Celsius.
TEST(FitDrift, FindsTheSlopeOfAPublishedModel) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 12; ++i) {
    const double celsius = 15 - 1.5 * i;
    const double t = 32 + 1.8 * celsius;
    const double e = 45;
    const double mm = 3.4427 - .0068352 * e + .0000324 * e * e + .0044962 * t + 5.885e-5 * e * t -
                      2.498e-7 * e * e * t;
    runs.push_back(run(i + 1, mm, celsius));
  }
  constexpr double kPublishedDigits = 5e-5;  // "0.0119"
  EXPECT_NEAR(*fitted(runs).slope_steps_per_c, 0.0119, kPublishedDigits);
}

// MONET's published model: the sum of three temperature coefficients, -0.0254 mm per degree,
// scatter 0.025 mm, in steps of 1 um.
TEST(FitDrift, FindsAPublishedSlopeUnderThePublishedScatter) {
  std::mt19937_64 random(7);
  std::normal_distribution<double> scatter(0, 25);
  std::vector<DriftRun> runs;
  for (int i = 0; i < 200; ++i) {
    const double celsius = 20 - 0.15 * i;
    runs.push_back(
        run(i + 1, 3000 + 1000 * (-.01751 - .00334 - .00456) * celsius + scatter(random), celsius));
  }
  const DriftResult r = fitted(runs);
  // Four standard errors: sigma / sqrt(Sxx) = 25 / sqrt(200 * 75).
  EXPECT_NEAR(*r.slope_steps_per_c, -25.4, 4 * 25 / std::sqrt(200 * 75.0));
  EXPECT_NEAR(*r.run_scatter_steps, 25, 5);
}

// lib/src/optics/README.md: T = 12..5, sigma 5: Sxx 42, deviation of the slope 0.772.
TEST(FitDrift, HasTheErrorOfTheClosedForm) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 8; ++i) runs.push_back(run(i + 1, (i % 2 == 0 ? 1 : -1) * 1.0, 12 - i));
  Eigen::MatrixXd x(8, 2);
  Eigen::VectorXd y(8);
  for (int i = 0; i < 8; ++i) {
    x(i, 0) = 1;
    x(i, 1) = *runs[static_cast<std::size_t>(i)].temperature_c;
    y[i] = runs[static_cast<std::size_t>(i)].position_steps;
  }
  const auto fit = numerics::fit_linear(x, y, Eigen::VectorXd::Constant(8, 25));
  EXPECT_NEAR(std::sqrt(fit.covariance(1, 1)), 0.772, 5e-4);
}

TEST(TubeExpansion, IsThatOfTheTables) {
  // lib/src/optics/README.md, plain tubes.
  EXPECT_NEAR(tube_expansion_um_per_c(TubeMaterial::aluminium, 500), 11.8, 0.3);
  EXPECT_NEAR(tube_expansion_um_per_c(TubeMaterial::steel, 1000), 11.7, 0.1);
  EXPECT_NEAR(tube_expansion_um_per_c(TubeMaterial::carbon, 1000), 1, 0.1);
}

// ---- exact, invariant ----

TEST(FitDrift, RecoversNoiseFreeSlopeOffsetsAndAltitude) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 24; ++i) {
    DriftRun r = run(i + 1, 0, 10 - 0.4 * i + 0.3 * (i % 3));
    r.filter = i % 3 == 0 ? "L" : i % 3 == 1 ? "Ha" : "L";
    r.altitude_deg = 30 + (i * 17) % 50;
    r.position_steps =
        5000 - 11.8 * *r.temperature_c + (*r.filter == "Ha" ? 31 : 0) + 0.7 * *r.altitude_deg;
    runs.push_back(r);
  }
  const DriftResult r = fitted(runs);
  constexpr double kRounding = 1e-8;
  EXPECT_EQ(r.used, 24);
  EXPECT_NEAR(*r.slope_steps_per_c, -11.8, kRounding);
  EXPECT_NEAR(*r.altitude_steps_per_deg, 0.7, kRounding);
  ASSERT_EQ(r.filters.size(), 2U);
  EXPECT_EQ(r.filters[0].filter, "L");
  EXPECT_EQ(r.filters[0].offset_steps, 0);
  EXPECT_FALSE(r.filters[0].sigma_steps);
  EXPECT_EQ(r.filters[1].filter, "Ha");
  EXPECT_NEAR(r.filters[1].offset_steps, 31, 1e-7);
}

TEST(FitDrift, DoesNotDependOnOrderOrOrigin) {
  std::mt19937_64 random(11);
  NightsOptions o;
  o.filters = 2;
  Nights made = make_nights(o, random);
  for (auto& r : made.runs) r.time_utc.reset();
  const DriftResult first = fitted(made.runs);
  std::vector<DriftRun> other(made.runs.rbegin(), made.runs.rend());
  for (auto& r : other) r.position_steps += 100000;
  const DriftResult second = fitted(other);
  EXPECT_NEAR(*first.slope_steps_per_c, *second.slope_steps_per_c, 1e-6);
  EXPECT_NEAR(*first.position_at_reference_steps + 100000, *second.position_at_reference_steps,
              1e-5);
}

// ---- answers to single questions ----

TEST(FitDrift, SaysHowOftenToRefocus) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 12; ++i) {
    DriftRun r = run(i + 1, 5000 + 12.0 * 0.5 * i + (i % 2 == 0 ? 0.5 : -0.5), 10 - 0.5 * i);
    r.sigma_steps = 1;
    r.time_utc =
        "2027-02-03T" + std::string(i < 10 ? "1" : "2") + std::to_string(i % 10) + ":00:00";
    runs.push_back(r);
  }
  DriftOptions options;
  options.half_zone_steps = 11;
  const DriftResult r = fitted(runs, options);
  EXPECT_NEAR(*r.refocus_every_c, 11.0 / 12, 0.02);
  EXPECT_NEAR(*r.night_rate_c_per_hour, -0.5, 1e-9);
  EXPECT_NEAR(*r.refocus_every_minutes, 60 * 11.0 / 12 / 0.5, 3);
  EXPECT_GT(*r.next_in_zone_probability, 0.99);
  // One night that only cools: the clock could be the cause.
  ASSERT_FALSE(r.notes.empty());
  EXPECT_THAT(r.notes.front().text, HasSubstr("of one night"));
  EXPECT_EQ(r.verdict, Verdict::trusted);
}

TEST(FitDrift, RejectsASingleRunWithItsReason) {
  std::mt19937_64 random(3);
  NightsOptions o;
  o.nights = 3;
  Nights made = make_nights(o, random);
  made.runs[16].position_steps += 60;
  const DriftResult r = fitted(made.runs);
  ASSERT_EQ(r.rejected.size(), 1U);
  EXPECT_EQ(r.rejected.front().row, 17);
  EXPECT_EQ(r.rejected.front().reason.code, codes::run_off_line);
  EXPECT_THAT(r.rejected.front().reason.text, HasSubstr("above what the other runs say"));
}

// A run at the end of the range that may be bad or not: the slope with it and the slope without it
// both lie in the interval.
TEST(FitDrift, IntervalsCountThatARunMayBeBad) {
  std::vector<DriftRun> runs;
  const double errors[] = {1.0, -1.4, 0.3, 1.6, -0.8, -1.1, 0.9, -0.2, 7.0};
  for (int i = 0; i < 9; ++i) {
    DriftRun r = run(i + 1, 5000 - 10.0 * i + errors[i], i);
    r.sigma_steps = 1;
    runs.push_back(r);
  }
  const DriftResult r = fitted(runs);
  const DriftResult without = fitted({runs.begin(), runs.end() - 1});
  double with = 0;  // least squares, equal weights
  for (int i = 0; i < 9; ++i) with += (i - 4.0) * runs[static_cast<std::size_t>(i)].position_steps;
  with /= 60;
  EXPECT_GT(*without.slope_interval_95.high, *without.slope_interval_95.low);
  EXPECT_FALSE(without.slope_interval_95.contains(with));
  EXPECT_TRUE(r.slope_interval_95.contains(with));
  EXPECT_TRUE(r.slope_interval_95.contains(*without.slope_steps_per_c));
}

TEST(FitDrift, ToldRunsStayOutWithTheCallersReason) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 6; ++i) runs.push_back(run(i + 1, 5000 - 10 * i + i % 2, i));
  runs[2].unusable = {codes::run_unusable, "the run's own verdict is unusable"};
  runs[4].temperature_c.reset();
  const DriftResult r = fitted(runs);
  ASSERT_EQ(r.rejected.size(), 2U);
  EXPECT_EQ(r.rejected[0].row, 3);
  EXPECT_EQ(r.rejected[0].reason.code, codes::run_unusable);
  EXPECT_EQ(r.rejected[1].reason.code, codes::run_without_temperature);
  EXPECT_THAT(r.rejected[1].reason.text, HasSubstr("no temperature"));
  EXPECT_EQ(r.used, 4);
}

TEST(FitDrift, TooLittleIsUnusableNeverAnError) {
  EXPECT_EQ(fitted({}).verdict, Verdict::unusable);
  EXPECT_EQ(fitted({run(1, 5, 1), run(2, 6, 2)}).verdict, Verdict::unusable);
  EXPECT_EQ(fitted({run(1, 5, 1), run(2, 6, 1), run(3, 7, 1), run(4, 7, 1)}).verdict,
            Verdict::unusable);
  const DriftResult few = fitted({run(1, 5, 1), run(2, 8, 3), run(3, 10, 5)});
  EXPECT_EQ(few.verdict, Verdict::doubtful);
  EXPECT_FALSE(few.reasons.empty());
  // Student with one degree of freedom: 12.7 times the standard error.
  EXPECT_GT(*few.slope_interval_95.high - *few.slope_interval_95.low, 10 * *few.slope_sigma);
}

TEST(FitDrift, RefusesNumbersThatAreNone) {
  EXPECT_FALSE(fit_drift(std::vector{run(1, std::nan(""), 1)}));
  DriftRun odd = run(1, 5, 1);
  odd.sigma_steps = 0;
  EXPECT_FALSE(fit_drift(std::vector{odd}));
}

TEST(FitDrift, PredictsForNoFilterThatNoRunHas) {
  std::mt19937_64 random(8);
  NightsOptions o;
  o.filters = 2;
  DriftOptions options;
  options.predictions = {{2, "A", {}}, {2, "z", {}}, {2, std::nullopt, {}}};
  const DriftResult r = fitted(make_nights(o, random).runs, options);
  ASSERT_EQ(r.predictions.size(), 3U);
  EXPECT_TRUE(r.predictions[0].position_steps);
  EXPECT_FALSE(r.predictions[1].position_steps);
  EXPECT_TRUE(r.predictions[2].position_steps);
}

// ---- predictions ----

// Runs on 5000 - 11.8 T + 0.7 h exactly, T and h as different as they can be.
std::vector<DriftRun> runs_over_altitudes() {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 24; ++i) {
    DriftRun r = run(i + 1, 0, 10 - 0.4 * i + 0.3 * (i % 3));
    r.altitude_deg = 30 + (i * 17) % 50;
    r.position_steps = 5000 - 11.8 * *r.temperature_c + 0.7 * *r.altitude_deg;
    runs.push_back(r);
  }
  return runs;
}

TEST(FitDrift, PredictsAtAnotherAltitude) {
  DriftOptions options;
  options.predictions = {{4, {}, 75}, {4, {}, 25}, {4, {}, {}}};
  const DriftResult r = fitted(runs_over_altitudes(), options);
  ASSERT_EQ(r.predictions.size(), 3U);
  constexpr double kRounding = 1e-6;
  EXPECT_NEAR(*r.predictions[0].position_steps, 5000 - 11.8 * 4 + 0.7 * 75, kRounding);
  EXPECT_NEAR(*r.predictions[1].position_steps, 5000 - 11.8 * 4 + 0.7 * 25, kRounding);
  // Without one: at the reference, the mean altitude in whole degrees (here 50.5).
  EXPECT_EQ(*r.reference_altitude_deg, 51);
  EXPECT_NEAR(*r.predictions[2].position_steps, 5000 - 11.8 * 4 + 0.7 * 51, kRounding);
}

// Nights in which air cools as c + d exp(-t / tau) and the tube follows with the lag L:
// c + d tau / (tau - L) exp(-t / tau) + K exp(-t / L), K from a start behind by half of what a long
// night would give.
struct LaggedNights {
  std::vector<DriftRun> runs;
  double mean_delay_c = 0;  // tube less air
  double delay_deviation_c = 0;
};

LaggedNights lagged_nights(double slope, double error_steps) {
  constexpr double kTau = 3;  // hours
  constexpr double kLag = 40.0 / 60;
  std::mt19937_64 random(12);
  std::normal_distribution<double> error(0, error_steps);
  LaggedNights made;
  std::vector<double> delays;
  for (int night = 0; night < 8; ++night) {
    const double c = (night * 5) % 8;
    const double d = 5 + night % 3;
    const double k = 0.5 * kLag * d / kTau + d - d * kTau / (kTau - kLag);
    for (int i = 0; i < 12; ++i) {
      const double t = 0.5 * i;
      const double air = c + d * std::exp(-t / kTau);
      const double tube =
          c + d * kTau / (kTau - kLag) * std::exp(-t / kTau) + k * std::exp(-t / kLag);
      DriftRun r =
          run(static_cast<int>(made.runs.size()) + 1, 5000 + slope * tube + error(random), air);
      r.sigma_steps = error_steps;
      char time[64];
      std::snprintf(time, sizeof time, "2027-01-%02dT%02d:%02d:00", 5 + night, 18 + i / 2,
                    30 * (i % 2));
      r.time_utc = time;
      made.runs.push_back(r);
      delays.push_back(tube - air);
    }
  }
  for (const double delay : delays) made.mean_delay_c += delay / 96;
  for (const double delay : delays) {
    made.delay_deviation_c += std::pow(delay - made.mean_delay_c, 2) / 95;
  }
  made.delay_deviation_c = std::sqrt(made.delay_deviation_c);
  return made;
}

TEST(FitDrift, PredictsWithTheUsualDelayOfALaggingTube) {
  constexpr double kSlope = -20;
  const LaggedNights made = lagged_nights(kSlope, 1);
  ASSERT_GT(std::abs(kSlope * made.mean_delay_c), 8);  // steps: what a lost delay would cost
  DriftOptions options;
  options.predictions = {{4, {}, {}}};
  const DriftResult r = fitted(made.runs, options);
  ASSERT_TRUE(r.lag_minutes);
  ASSERT_EQ(r.predictions.size(), 1U);
  const double truth = 5000 + kSlope * (4 + made.mean_delay_c);
  // The start of each night is not known, which leaves the mean delay open to some tenths of it.
  constexpr double kTolerance = 2;  // steps
  EXPECT_NEAR(*r.predictions[0].position_steps, truth, kTolerance);
  // One run is as unsure as the delay differs from run to run, beside which its error is small.
  const Interval interval = r.predictions[0].interval_95_steps;
  const double expected = 1.96 * std::abs(kSlope) * made.delay_deviation_c;
  EXPECT_NEAR((*interval.high - *interval.low) / 2 / expected, 1, 0.25);
}

TEST(FitDrift, ARunWithoutASigmaCountsAsTheMiddleOne) {
  std::vector<DriftRun> runs;
  for (int i = 0; i < 9; ++i) {
    DriftRun r = run(i + 1, 5000 - 10.0 * i + (i % 3 - 1) * 2.0, i);
    r.sigma_steps = 1.0 + i;
    runs.push_back(r);
  }
  // Among the others' 1 to 4 and 6 to 9 the middle is 5.
  const DriftResult all = fitted(runs);
  runs[4].sigma_steps.reset();
  const DriftResult one_less = fitted(runs);
  EXPECT_EQ(*one_less.slope_steps_per_c, *all.slope_steps_per_c);
  EXPECT_EQ(*one_less.slope_interval_95.high, *all.slope_interval_95.high);
  EXPECT_THAT(texts_of(one_less.notes),
              testing::Contains(HasSubstr("1 runs do not say how sure they are")));
}

TEST(FitDrift, ASlopeThatLeavesTheZoneOpenIsDoubtful) {
  std::vector<DriftRun> runs;
  const double errors[] = {8, -9, 7, -6, 9, -8, 6, -7, 9, -9};
  for (int i = 0; i < 10; ++i)
    runs.push_back(run(i + 1, 5000 - 4.0 * 0.4 * i + errors[i], 0.4 * i));
  // Least squares by hand: the slope's sigma is 8.69 / sqrt(13.2) = 2.39. Over half the range of
  // 3.6 degrees that is 4.30 steps, times Student's 2.306 for eight degrees of freedom 9.92.
  DriftOptions options;
  options.half_zone_steps = 7;
  const DriftResult narrow = fitted(runs, options);
  EXPECT_EQ(narrow.verdict, Verdict::doubtful);
  EXPECT_THAT(texts_of(narrow.reasons),
              testing::ElementsAre(HasSubstr("more than half the focus zone")));
  options.half_zone_steps = 13;
  EXPECT_EQ(fitted(runs, options).verdict, Verdict::trusted);
}

// ---- many nights ----

struct Tally {
  int fits = 0;
  int slope_covered = 0;
  int predictions = 0;
  int predictions_covered = 0;
  int rejected = 0;
  int rightly = 0;
  int bad = 0;
};

Tally simulate(const NightsOptions& options, int trials) {
  std::mt19937_64 random(20270203);
  std::uniform_real_distribution<double> even(-25, 25);
  Tally tally;
  for (int trial = 0; trial < trials; ++trial) {
    NightsOptions o = options;
    o.slope = even(random);
    const Nights made = make_nights(o, random);
    std::vector<DriftRun> used;
    std::vector<double> truth;
    DriftOptions asked;
    for (std::size_t i = 0; i < made.runs.size(); ++i) {
      if (i % 6 == 4) {
        asked.predictions.push_back({*made.runs[i].temperature_c, made.runs[i].filter, {}});
        truth.push_back(made.true_focus[i]);
      } else {
        used.push_back(made.runs[i]);
        tally.bad += made.bad_rows.count(made.runs[i].row) != 0 ? 1 : 0;
      }
    }
    const DriftResult r = fitted(used, asked);
    ++tally.fits;
    tally.slope_covered += r.slope_interval_95.contains(made.slope) ? 1 : 0;
    for (std::size_t i = 0; i < truth.size(); ++i) {
      if (!r.predictions[i].position_steps) continue;
      ++tally.predictions;
      tally.predictions_covered += r.predictions[i].interval_95_steps.contains(truth[i]) ? 1 : 0;
    }
    for (const auto& rejection : r.rejected) {
      ++tally.rejected;
      tally.rightly += made.bad_rows.count(rejection.row) != 0 ? 1 : 0;
    }
  }
  return tally;
}

// 95 % within four standard deviations of so many draws.
void expect_coverage(int covered, int of) {
  const double share = static_cast<double>(covered) / of;
  EXPECT_NEAR(share, 0.95, 4 * std::sqrt(0.95 * 0.05 / of)) << covered << " of " << of;
}

TEST(FitDrift, IntervalsOfAFewRunsCoverTheTruth) {
  NightsOptions o;
  o.runs_a_night = 12;
  const Tally tally = simulate(o, 120);
  expect_coverage(tally.slope_covered, tally.fits);
  // Predictions of one fit share its errors: a third as many count.
  expect_coverage(tally.predictions_covered / 3, tally.predictions / 3);
}

TEST(FitDrift, FindsTheBadRunsOfASeasonAndNoOthers) {
  NightsOptions o;
  o.nights = 10;
  o.filters = 3;
  o.outlier_share = 0.1;
  const Tally tally = simulate(o, 20);
  EXPECT_GE(tally.rightly, 0.95 * tally.rejected) << tally.rejected;
  EXPECT_GE(tally.rightly, 0.95 * tally.bad) << tally.bad;
  expect_coverage(tally.predictions_covered / 3, tally.predictions / 3);
}

TEST(FitDrift, FindsALagWhereThereIsOneAndNoneWhereThereIsNone) {
  std::mt19937_64 random(5);
  NightsOptions o;
  o.nights = 12;
  o.scatter = 2;
  o.slope = -20;
  EXPECT_FALSE(fitted(make_nights(o, random).runs).lag_minutes);
  o.lag_minutes = 30;
  const DriftResult r = fitted(make_nights(o, random).runs);
  ASSERT_TRUE(r.lag_minutes);
  EXPECT_TRUE(r.lag_interval_95_minutes.contains(30)) << *r.lag_minutes;
  EXPECT_NEAR(*r.lag_minutes, 30, 10);
}

}  // namespace
}  // namespace starwaist
