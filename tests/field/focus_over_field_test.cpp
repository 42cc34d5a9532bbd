#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "field/made_field.h"
#include "starwaist/field.h"

namespace starwaist {
namespace {

Result<FieldFocus> focus_of(const made::FieldRun& run) {
  return focus_over_field(run.frames, run.tracks, run.fit);
}

TEST(FocusOverField, NoiseFreeRunGivesTiltAndCurvatureBack) {
  made::FieldOptions o;
  o.noise = 0;
  o.seeing = 0;
  o.tilt_x_steps = 14;
  o.tilt_y_steps = -9;
  o.curvature_steps = 22;
  const auto focus = focus_of(made::field_run(o));
  ASSERT_TRUE(focus.has_value()) << focus.error().text();
  // The curve that the sizes follow is one of those that are fitted; it is found to half a percent.
  constexpr double kTolerance = 0.2;
  EXPECT_NEAR(focus->tilt_x_steps, 14, kTolerance);
  EXPECT_NEAR(focus->tilt_y_steps, -9, kTolerance);
  EXPECT_NEAR(focus->curvature_steps, 22, kTolerance);
  EXPECT_NEAR(focus->centre_focus_steps, 5000, 0.5);
  // The median of sizes that grow with the distance from their own focus is smallest in the middle
  // of the shortest stretch that holds half of them.
  std::vector<double> focus_of_places;
  for (int i = 0; i < 60; ++i) {
    for (int j = 0; j < 60; ++j) {
      const double x = (i + 0.5) / 60 - 0.5;
      const double y = (j + 0.5) / 60 - 0.5;
      const double r2 = 4 * (x * x * 9 + y * y * 4) / 13;  // 1200 by 800
      focus_of_places.push_back(5000 + 14 * x - 9 * y + 22 * r2);
    }
  }
  std::sort(focus_of_places.begin(), focus_of_places.end());
  double shortest = 1e9;
  double middle = 0;
  for (std::size_t k = 0; k + 1800 < focus_of_places.size(); ++k) {
    const double stretch = focus_of_places[k + 1800] - focus_of_places[k];
    if (stretch >= shortest) continue;
    shortest = stretch;
    middle = 0.5 * (focus_of_places[k + 1800] + focus_of_places[k]);
  }
  // The stars stand for the field as well as the error says that they do.
  EXPECT_GT(focus->median_shift_sigma_steps, 0);
  EXPECT_LT(focus->median_shift_sigma_steps, 2);
  EXPECT_NEAR(focus->compromise_focus_steps, middle, 3 * focus->median_shift_sigma_steps);
}

TEST(FocusOverField, SigmaIsTheScatterOfManyRunsAndSeeingCancels) {
  constexpr int kRuns = 16;
  double squares = 0;
  double curvature_squares = 0;
  for (int i = 0; i < kRuns; ++i) {
    made::FieldOptions o;
    o.seed = static_cast<std::uint64_t>(100 + i);
    o.tilt_x_steps = 8;
    o.curvature_steps = -12;
    o.stars = 60;
    o.seeing = 0.1;  // far more than the sizes' own noise
    const auto focus = focus_of(made::field_run(o));
    ASSERT_TRUE(focus.has_value());
    squares += std::pow((focus->tilt_x_steps - 8) / focus->tilt_x_sigma_steps, 2) / kRuns;
    squares += std::pow(focus->tilt_y_steps / focus->tilt_y_sigma_steps, 2) / kRuns;
    curvature_squares +=
        std::pow((focus->curvature_steps + 12) / focus->curvature_sigma_steps, 2) / kRuns;
  }
  // Mean squares of standardised errors: 1 with a spread of sqrt(2 / 32) and sqrt(2 / 16); four of
  // each upwards. Below, the widening of the sigmas errs on the safe side.
  EXPECT_LT(squares / 2, 2.0);
  EXPECT_GT(squares / 2, 0.25);
  EXPECT_LT(curvature_squares, 2.4);
}

TEST(FocusOverField, LargeTiltIsFoundThoughItWidensTheRunsCurve) {
  made::FieldOptions o;
  o.tilt_x_steps = 120;  // three times the curve's width, from edge to edge
  o.half_range_steps = 160;
  o.frames = 11;
  const auto focus = focus_of(made::field_run(o));
  ASSERT_TRUE(focus.has_value());
  EXPECT_NEAR(focus->tilt_x_steps, 120, 4 * focus->tilt_x_sigma_steps + 2.4);  // 2 %: the model
  EXPECT_NEAR(focus->core_steps, 40, 4);
}

TEST(FocusOverField, WideCornersAloneAreNoCurvature) {
  made::FieldOptions o;
  o.corner_sharpness = 0.25;
  o.centre_steps = 5015;  // a lopsided sweep, where sharpness and focus are easily confused
  const auto focus = focus_of(made::field_run(o));
  ASSERT_TRUE(focus.has_value());
  EXPECT_LT(std::abs(focus->curvature_steps), 4 * focus->curvature_sigma_steps);
}

TEST(FocusOverField, ZonesFollowTheSmoothShape) {
  made::FieldOptions o;
  o.tilt_x_steps = 30;
  o.stars = 150;
  const auto focus = focus_of(made::field_run(o));
  ASSERT_TRUE(focus.has_value());
  ASSERT_EQ(focus->zones.size(), 9U);
  for (const FieldZone& zone : focus->zones) {
    // Stars of a zone average over its width: their mean place is within a twentieth of its middle.
    EXPECT_NEAR(zone.best_focus_steps, 5000 + (zone.column - 1) * 10, 4 * zone.sigma_steps + 1.6)
        << zone.row << ' ' << zone.column;
    EXPECT_GT(zone.sigma_steps, 0);
  }
}

TEST(FocusOverField, TooLittleIsSaid) {
  made::FieldOptions few_stars;
  few_stars.stars = 5;
  EXPECT_FALSE(focus_of(made::field_run(few_stars)).has_value());
  made::FieldOptions one_sided;
  one_sided.centre_steps = 5400;
  EXPECT_FALSE(focus_of(made::field_run(one_sided)).has_value());
  EXPECT_FALSE(focus_over_field({}, {}, FitResult{}).has_value());
}

TEST(FocusOverField, OnlyTheFrameOfARejectedPointIsLeftOut) {
  made::FieldRun run = made::field_run({});
  run.fit.points[4].used = false;
  const auto named = focus_over_field(run.frames, run.tracks, run.fit);
  ASSERT_TRUE(named.has_value()) << named.error().text();
  EXPECT_EQ(named->frames, static_cast<int>(run.frames.size()) - 1);
  // Frames of several folders may share a name.
  for (FrameMeasurement& frame : run.frames) frame.file = "frame.fits";
  for (CurvePoint& point : run.fit.points) point.file = "frame.fits";
  const auto alike = focus_over_field(run.frames, run.tracks, run.fit);
  ASSERT_TRUE(alike.has_value()) << alike.error().text();
  EXPECT_EQ(alike->frames, named->frames);
  EXPECT_EQ(alike->tilt_x_steps, named->tilt_x_steps);
}

}  // namespace
}  // namespace starwaist
