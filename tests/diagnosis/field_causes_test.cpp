#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <stdexcept>

#include "diagnosis/cause.h"
#include "field/made_field.h"
#include "starwaist/codes.h"
#include "starwaist/diagnosis.h"

namespace starwaist {
namespace {

// A known rig at f/5: half zone 27.5 um, 13.75 steps; the whole zone 27.5 steps.
Rig rig() {
  Rig rig;
  rig.f_number = 5;
  rig.pixel_um = 3.76;
  rig.um_per_step = 2;
  rig.obstruction = 0.3;
  return rig;
}
constexpr double kZoneSteps = 27.5;

RunRecord record_of(const made::FieldRun& run) {
  RunRecord record;
  record.fit = run.fit;
  record.rig = rig();
  for (const FrameMeasurement& frame : run.frames) {
    record.frames.emplace_back().measurement = frame;
  }
  record.tracks = run.tracks;
  record.facts.resize(run.frames.size());
  if (auto focus = focus_over_field(run.frames, run.tracks, run.fit, record.rig)) {
    record.field_focus = *focus;
  }
  return record;
}

// What the cause sees in the run. A cause that is not in the registry ends the test.
std::optional<diagnosis::Candidate> look(const RunRecord& record, const std::string& cause) {
  for (const auto& known : diagnosis::all_causes()) {
    if (known.page.cause == cause) return known.look(diagnosis::RunView(record));
  }
  throw std::invalid_argument("no cause is named " + cause);
}

// Zero where the cause sees nothing at all.
double confidence_of(const RunRecord& record, const std::string& cause) {
  const auto candidate = look(record, cause);
  if (!candidate) return 0.0;
  EXPECT_FALSE(candidate->summary.empty());
  EXPECT_FALSE(candidate->remedy.text.empty());
  EXPECT_FALSE(candidate->evidence.empty());
  return diagnosis::probability_of(candidate->log_odds);
}

const char* const kCauses[] = {"field_tilt",   "field_curvature",  "miscollimation",
                               "image_motion", "extended_objects", "defects_as_stars"};

TEST(FieldCauses, AllAreKnownAndExplained) {
  for (const std::string cause : kCauses) {
    const auto page = cause_page(cause);
    ASSERT_TRUE(page.has_value()) << cause;
    EXPECT_FALSE(page->what.empty() || page->curve.empty() || page->look_alikes.empty() ||
                 page->remedy.empty() || page->source.empty())
        << cause;
  }
}

TEST(FieldCauses, HealthyRunHasNone) {
  for (std::uint64_t seed = 1; seed <= 4; ++seed) {
    made::FieldOptions o;
    o.seed = seed;
    const RunRecord record = record_of(made::field_run(o));
    for (const std::string cause : kCauses) {
      EXPECT_LT(confidence_of(record, cause), 0.1) << cause << " seed " << seed;
    }
  }
}

TEST(CauseFieldTilt, OneZoneFromEdgeToEdgeIsFoundAndATenthOfItIsNot) {
  made::FieldOptions o;
  o.tilt_x_steps = 0.7 * kZoneSteps;
  o.tilt_y_steps = 0.8 * kZoneSteps;
  const RunRecord tilted = record_of(made::field_run(o));
  EXPECT_GT(confidence_of(tilted, "field_tilt"), 0.8);
  EXPECT_LT(confidence_of(tilted, "field_curvature"), 0.1);
  o.tilt_x_steps = 0.1 * kZoneSteps;
  o.tilt_y_steps = 0;
  EXPECT_LT(confidence_of(record_of(made::field_run(o)), "field_tilt"), 0.1);
}

TEST(CauseFieldCurvature, MoreThanTheZoneIsFoundEitherWay) {
  for (const double sign : {-1.0, 1.0}) {
    made::FieldOptions o;
    o.curvature_steps = sign * 1.2 * kZoneSteps;
    const RunRecord curved = record_of(made::field_run(o));
    EXPECT_GT(confidence_of(curved, "field_curvature"), 0.8);
    EXPECT_LT(confidence_of(curved, "field_tilt"), 0.1);
  }
}

TEST(CauseFieldTilt, UnknownRigIsJudgedByTheCurvesWidth) {
  made::FieldOptions o;
  o.tilt_x_steps = 40;  // as wide as the curve
  RunRecord record = record_of(made::field_run(o));
  record.rig = Rig{};
  EXPECT_GT(confidence_of(record, "field_tilt"), 0.8);
}

Collimation coma_of(double offset, double sigma) {
  Collimation seen;
  seen.shadow_offset = seen.coma_offset = offset;
  seen.sigma = seen.coma_sigma = sigma;
  seen.stars = 30;
  seen.outer_radius_px = 10;
  seen.inner_over_outer = 0.3;
  return seen;
}

TEST(CauseMiscollimation, OffsetFarBeyondItsErrorIsFound) {
  RunRecord record = record_of(made::field_run({}));
  record.collimation = coma_of(0.3, 0.008);
  EXPECT_GT(confidence_of(record, "miscollimation"), 0.9);
  record.collimation = coma_of(0.3, 0.15);
  EXPECT_LT(confidence_of(record, "miscollimation"), 0.1);
  record.collimation = coma_of(0.004, 0.0005);
  EXPECT_LT(confidence_of(record, "miscollimation"), 0.1);
}

// 0.2 waves of coma beside stars of a usual size cost them less than two per cent.
TEST(CauseMiscollimation, ComaThatCostsNothingIsNotNamed) {
  RunRecord record = record_of(made::field_run({}));
  const double px_per_wave =
      4 * *record.rig.focal_ratio() * (1 - 0.09) * record.rig.wavelength_um / *record.rig.pixel_um;
  record.collimation = coma_of(0.2 * px_per_wave / 10, 0.002);
  EXPECT_LT(confidence_of(record, "miscollimation"), 0.5);
  record.collimation = coma_of(0.4 * px_per_wave / 10, 0.002);
  EXPECT_GT(confidence_of(record, "miscollimation"), 0.8);
}

TEST(CauseMiscollimation, ShadowDisplacedWithoutComaIsFound) {
  RunRecord record = record_of(made::field_run({}));
  Collimation seen = coma_of(0.005, 0.004);
  seen.both_sides = true;
  seen.displaced_offset = 0.12;
  seen.displaced_sigma = 0.01;
  record.collimation = seen;
  EXPECT_GT(confidence_of(record, "miscollimation"), 0.8);
  record.collimation->displaced_offset = 0.02;
  EXPECT_LT(confidence_of(record, "miscollimation"), 0.1);
}

// Stretches the stars of a frame: eccentricity about `e` along `angle_deg`, with scatter.
void stretch(FrameMeasurement& frame, double e, double angle_deg, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0, 1);
  for (Star& star : frame.stars) {
    const double drawn = e * e / (2 - e * e);
    const double along =
        drawn * std::cos(2 * angle_deg * std::numbers::pi / 180) + 0.03 * normal(random);
    const double across =
        drawn * std::sin(2 * angle_deg * std::numbers::pi / 180) + 0.03 * normal(random);
    const double size = std::hypot(along, across);
    star.eccentricity = std::sqrt(2 * size / (1 + size));
    star.angle_deg = 0.5 * std::atan2(across, along) * 180 / std::numbers::pi;
  }
}

TEST(CauseImageMotion, TrailedFramesStandOutOfTheRest) {
  made::FieldRun run = made::field_run({});
  for (std::size_t i = 0; i < run.frames.size(); ++i) {
    const bool trailed = i == 3 || i == 5;
    stretch(run.frames[i], trailed ? 0.6 : 0.0, i == 3 ? 20 : 110, 40 + i);
  }
  const RunRecord record = record_of(run);
  EXPECT_GT(confidence_of(record, "image_motion"), 0.8);
  EXPECT_EQ(look(record, "image_motion").value().spoiled, (std::vector<std::size_t>{3, 5}));
}

TEST(CauseImageMotion, SameTrailInEveryFrameIsMotionAndTurningWithDefocusIsNot) {
  made::FieldRun trailed = made::field_run({});
  made::FieldRun astigmatic = trailed;
  for (std::size_t i = 0; i < trailed.frames.size(); ++i) {
    const double u = (*trailed.frames[i].position_steps - 5000) / 40;
    const double square = 1 + u * u;  // of the size, in focus 1
    // A trail adds the same square everywhere; astigmatism one that grows with defocus.
    const auto eccentricity = [](double drawn) { return std::sqrt(2 * drawn / (1 + drawn)); };
    stretch(trailed.frames[i], eccentricity(0.25 / square), 50, 70 + i);
    stretch(astigmatic.frames[i], eccentricity(0.15 * std::abs(u) / square), u < 0 ? 10 : 100,
            90 + i);
  }
  RunRecord record = record_of(trailed);
  EXPECT_GT(confidence_of(record, "image_motion"), 0.8);
  EXPECT_LT(confidence_of(record_of(astigmatic), "image_motion"), 0.1);
  // Where a shadow far off centre shows coma along the same line it is the coma's.
  Collimation seen = coma_of(0.3, 0.01);
  seen.coma_angle_deg = 50 - 180;
  record.collimation = seen;
  EXPECT_LT(confidence_of(record, "image_motion"), 0.1);
  record.collimation->coma_angle_deg = -40;
  EXPECT_GT(confidence_of(record, "image_motion"), 0.8);
}

TEST(CauseImageMotion, FramesShakenAllWaysGrowByTheSameSquare) {
  made::FieldRun run = made::field_run({});
  for (const std::size_t i : {2U, 4U, 5U}) {
    for (Star& star : run.frames[i].stars) star.hfr_px = std::hypot(*star.hfr_px, 2.0);
  }
  const auto sizes = match_sizes(run.frames, align_frames(run.frames));
  for (std::size_t i = 0; i < sizes.size(); ++i) run.fit.points[i].size_px = sizes[i].size_px;
  EXPECT_GT(confidence_of(record_of(run), "image_motion"), 0.6);
}

TEST(CauseExtendedObjects, WideObjectsInFocusAreCounted) {
  made::FieldRun run = made::field_run({});
  // A third of the objects keep 3 px of their own; the run's sizes are the stars'.
  for (FrameMeasurement& frame : run.frames) {
    for (std::size_t j = 0; j < frame.stars.size(); j += 3) {
      frame.stars[j].hfr_px = std::hypot(*frame.stars[j].hfr_px, 3.0);
      frame.stars[j].extended = true;
    }
  }
  EXPECT_GT(confidence_of(record_of(run), "extended_objects"), 0.8);
}

TEST(CauseDefectsAsStars, FixedPlacesAreCountedAndFleetingOnesAreNot) {
  std::mt19937_64 random(5);
  std::uniform_int_distribution<int> x(0, 1199);
  std::uniform_int_distribution<int> y(0, 799);
  made::FieldRun fixed = made::field_run({});
  made::FieldRun fleeting = fixed;
  for (int k = 0; k < 160; ++k) {  // against 80 stars
    const StarPlace place{static_cast<double>(x(random)), static_cast<double>(y(random))};
    for (FrameMeasurement& frame : fixed.frames) frame.defects.push_back(place);
    for (FrameMeasurement& frame : fleeting.frames) {
      frame.defects.push_back({static_cast<double>(x(random)), static_cast<double>(y(random))});
    }
  }
  // 160 in a frame of 1200 by 800 are as dense as on any sensor; in a quarter of it they are not.
  EXPECT_LT(confidence_of(record_of(fixed), "defects_as_stars"), 0.4);
  for (FrameMeasurement& frame : fixed.frames) frame.height_px = 200;
  EXPECT_GT(confidence_of(record_of(fixed), "defects_as_stars"), 0.9);
  EXPECT_LT(confidence_of(record_of(fleeting), "defects_as_stars"), 0.1);
}

TEST(CauseDefectsAsStars, SizesThatAreTheDefectsOwnMakeTheRunUnusable) {
  std::mt19937_64 random(6);
  std::uniform_int_distribution<int> x(0, 1199);
  std::uniform_int_distribution<int> y(0, 799);
  made::FieldRun run = made::field_run({});
  for (int k = 0; k < 160; ++k) {
    const StarPlace place{static_cast<double>(x(random)), static_cast<double>(y(random))};
    for (FrameMeasurement& frame : run.frames) {
      frame.defects.push_back(place);
      Star neighbours;  // warm pixels beside it, measured as a star
      neighbours.x_px = place.x_px + 0.2;
      neighbours.y_px = place.y_px;
      neighbours.snr = 40;
      neighbours.hfr_px = 0.8;
      frame.stars.push_back(neighbours);
    }
  }
  const auto found = look(record_of(run), "defects_as_stars");
  ASSERT_TRUE(found.has_value());
  EXPECT_EQ(found->effect, diagnosis::Effect::unusable);
  EXPECT_EQ(found->remedy.code, codes::calibrate_or_expose_longer);
  EXPECT_GT(found->log_odds, 4);
  EXPECT_NEAR(found->evidence[1].value, 80, 1);  // the stars alone
  run.frames.front().saturated_count = 3;
  EXPECT_EQ(look(record_of(run), "defects_as_stars")->remedy.code, codes::calibrate);
}

}  // namespace
}  // namespace starwaist
