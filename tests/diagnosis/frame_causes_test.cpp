// Causes that need the frames, from hand-made measurements whose every number is known.
#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "diagnosis/table_run.h"

namespace starwaist {
namespace {

using testing_support::found;
using testing_support::setting;
using testing_support::TableRun;

// A healthy run of nine frames with forty stars each.
RunRecord healthy() {
  TableRun run = TableRun::sweep(9, 3);
  for (PointFacts& f : run.facts) {
    f.stars = 40;
    f.light = 1;
    f.light_sigma = 0.01;
    f.background_adu = 800;
    f.noise_adu = 17;
    f.exposure_s = 4;
  }
  RunRecord record = run.record(7);
  for (CurvePoint& p : record.fit.points) p.stars = 40;
  for (const CurvePoint& p : record.fit.points) {
    FrameMeasurement frame;
    frame.file = p.file;
    frame.width_px = 500;
    frame.height_px = 400;
    frame.hfr_px = p.size_px;
    frame.star_count = 40;
    frame.exposure_s = 4;
    record.frames.emplace_back().measurement = frame;
  }
  return record;
}

TEST(DiagnoseFrames, AHealthyRunHasNoFinding) { EXPECT_TRUE(diagnose(healthy()).findings.empty()); }

TEST(DiagnoseFrames, NamesClippedStarsAndAShorterExposure) {
  RunRecord record = healthy();
  for (std::size_t i = 3; i < 6; ++i) record.frames[i].measurement.saturated_count = 16;
  const Diagnosis d = diagnose(record);
  const Finding* finding = found(d, "saturation");
  ASSERT_NE(finding, nullptr);
  EXPECT_DOUBLE_EQ(setting(*finding, "exposure_s").value_or(0), 1);  // a quarter of 4 s
  EXPECT_EQ(d.fit.verdict, record.fit.verdict);  // the clipped stars were left out
  // One or two of forty are usual.
  RunRecord few = healthy();
  for (MeasuredFrame& frame : few.frames) frame.measurement.saturated_count = 2;
  EXPECT_EQ(found(diagnose(few), "saturation"), nullptr);
}

TEST(DiagnoseFrames, NamesAHandfulOfStars) {
  RunRecord record = healthy();
  for (CurvePoint& p : record.fit.points) p.stars = 4;
  for (MeasuredFrame& frame : record.frames) frame.measurement.star_count = 4;
  const Diagnosis d = diagnose(record);
  const Finding* finding = found(d, "few_stars");
  ASSERT_NE(finding, nullptr);
  EXPECT_GT(setting(*finding, "exposure_s").value_or(0), 4);
}

// All of `count` stars are clipped in the frames from `first` on but the last `last`.
RunRecord clipped_run(int count, std::size_t first, std::size_t last) {
  RunRecord record = healthy();
  for (std::size_t i = 0; i < record.frames.size(); ++i) {
    record.facts[i].stars = count;
    record.fit.points[i].stars = count;
    FrameMeasurement& frame = record.frames[i].measurement;
    frame.star_count = count;
    if (i < first || i + last >= record.frames.size()) continue;
    frame.star_count = 0;
    frame.saturated_count = count;
    frame.hfr_px.reset();
    CurvePoint& point = record.fit.points[i];
    point.stars = 0;
    point.size_px.reset();
    point.sigma_px.reset();
    point.used = false;
  }
  return record;
}

TEST(DiagnoseFrames, ClippedStarsAreNotTooFew) {
  for (const int count : {12, 40}) {
    for (const std::size_t sound : {std::size_t{0}, std::size_t{1}, std::size_t{3}}) {
      const Diagnosis d = diagnose(clipped_run(count, sound, sound));
      const Finding* finding = found(d, "saturation");
      ASSERT_NE(finding, nullptr) << count << " " << sound;
      EXPECT_EQ(setting(*finding, "exposure_s").value_or(0), 1);
      EXPECT_EQ(found(d, "few_stars"), nullptr) << count << " " << sound;
      EXPECT_EQ(d.findings.front().cause, "saturation") << count << " " << sound;
    }
  }
}

TEST(DiagnoseFrames, FaintStarsBesideClippedOnesAreNotTooFew) {
  RunRecord record = healthy();
  for (std::size_t i = 0; i < record.frames.size(); ++i) {
    FrameMeasurement& frame = record.frames[i].measurement;
    frame.star_count = 2;
    frame.saturated_count = 38;
    CurvePoint& point = record.fit.points[i];
    point.stars = 2;
    point.sigma_px = 0.15 * *point.size_px;
  }
  const Diagnosis d = diagnose(record);
  ASSERT_FALSE(d.findings.empty());
  EXPECT_EQ(d.findings.front().cause, "saturation");
  EXPECT_EQ(found(d, "few_stars"), nullptr);
}

TEST(DiagnoseFrames, NamesASkyThatBrightens) {
  RunRecord record = healthy();
  for (std::size_t i = 5; i < 9; ++i) {
    // 289 ADU^2 of noise become 434: half as much light again.
    record.facts[i].background_adu = 950;
    record.facts[i].noise_adu = 20.8;
  }
  EXPECT_NE(found(diagnose(record), "background_change"), nullptr);
  RunRecord slight = healthy();
  slight.facts[8].background_adu = 805;
  EXPECT_EQ(found(diagnose(slight), "background_change"), nullptr);
}

// Sky of 600 photons a pixel over a pedestal of 500 ADU, its light steeper by `rise` from edge to
// edge; one ADU is one photon, so that the noise's square gives the light.
SkyCells sky_with_slope(double rise, unsigned seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal;
  SkyCells cells;
  for (int k = 0; k < kSkyColumns * kSkyRows; ++k) {
    const double x = (k % kSkyColumns + 0.5) / kSkyColumns - 0.5;
    const double light = 600 * (1 + rise * x);
    const double noise = std::sqrt(light + 9);
    cells.level_adu.push_back(500 + light + 0.03 * noise * normal(random));  // of 2500 pixels
    cells.noise_adu.push_back(noise * (1 + 0.023 * normal(random)));
  }
  return cells;
}

TEST(DiagnoseFrames, NamesASkyThatBrightensOnOneSideAlone) {
  RunRecord steady = healthy();
  RunRecord steeper = healthy();
  for (unsigned i = 0; i < 9; ++i) {
    steady.frames[i].sky = sky_with_slope(0.4, i);
    steeper.frames[i].sky = sky_with_slope(i * 0.4 / 8, i);
  }
  EXPECT_EQ(found(diagnose(steady), "background_change"), nullptr);
  const Diagnosis d = diagnose(steeper);
  const Finding* finding = found(d, "background_change");
  ASSERT_NE(finding, nullptr);
  EXPECT_NEAR(finding->evidence[0].value, 240, 10);  // ADU: 0.4 of 600
  // Of the sky's light, not of the pedestal too: by the noise, good to 3 % a frame; three of it.
  EXPECT_NEAR(finding->evidence[1].value, 40, 12);
  EXPECT_EQ(d.fit.verdict, steeper.fit.verdict);
}

TEST(DiagnoseFrames, ADimmedFrameIsACloudAndNotFewStars) {
  RunRecord record = healthy();
  for (std::size_t i = 2; i < 4; ++i) {
    record.facts[i].light = 0.4;
    record.facts[i].stars = 12;
    record.fit.points[i].stars = 12;
  }
  const Diagnosis d = diagnose(record);
  EXPECT_NE(found(d, "passing_cloud"), nullptr);
  EXPECT_EQ(found(d, "few_stars"), nullptr);
}

TEST(DiagnoseFrames, ThreeFramesTellACloudAndDew) {
  RunRecord cloud = healthy();
  const auto keep_three = [](RunRecord& record) {
    for (const std::size_t from : {1U, 2U}) {  // frames 1, 5 and 9 stay
      record.fit.points.erase(record.fit.points.begin() + from,
                              record.fit.points.begin() + from + 3);
      record.facts.erase(record.facts.begin() + from, record.facts.begin() + from + 3);
      record.frames.erase(record.frames.begin() + from, record.frames.begin() + from + 3);
    }
    record.fit = *fit_curve(record.fit.points, record.rig);
  };
  keep_three(cloud);
  RunRecord dew = cloud;
  EXPECT_EQ(found(diagnose(cloud), "passing_cloud"), nullptr);
  cloud.facts[1].light = 0.6;
  const Diagnosis clouded = diagnose(cloud);
  EXPECT_NE(found(clouded, "passing_cloud"), nullptr);
  EXPECT_NE(found(clouded, "too_few_points"), nullptr);
  dew.facts[1].light = 0.8;
  dew.facts[2].light = 0.64;
  EXPECT_NE(found(diagnose(dew), "fogging"), nullptr);
}

TEST(DiagnoseFrames, LightThatTheApertureLosesIsNoCloud) {
  RunRecord record = healthy();
  record.facts[4].light = 0.9;
  EXPECT_NE(found(diagnose(record), "passing_cloud"), nullptr);
  // A size known to 6 % for want of the light beyond the apertures: light known to 8 %.
  FrameMeasurement& frame = record.frames[4].measurement;
  frame.hfr_shared_sigma_px = 0.06 * *frame.hfr_px;
  EXPECT_EQ(found(diagnose(record), "passing_cloud"), nullptr);
}

TEST(DiagnoseFrames, PixelsThatScatterByStarsAreNoSky) {
  RunRecord record = healthy();
  record.facts[4].noise_adu = 30;  // the bright wings of stars in focus
  for (std::size_t i = 0; i < 9; ++i) record.facts[i].background_adu = 800 + (i == 7 ? 20 : 0);
  EXPECT_EQ(found(diagnose(record), "background_change"), nullptr);
}

TEST(DiagnoseFrames, AFewHotPixelsBesideFewStarsAreUsual) {
  RunRecord record = healthy();
  for (std::size_t i = 0; i < record.frames.size(); ++i) {
    FrameMeasurement& frame = record.frames[i].measurement;
    frame.star_count = 4;
    record.fit.points[i].stars = 4;
    for (int k = 0; k < 16; ++k) frame.defects.push_back({20.0 * k + 5, 17.0 * k + 9});
  }
  const Diagnosis d = diagnose(record);
  EXPECT_NE(found(d, "few_stars"), nullptr);
  EXPECT_EQ(found(d, "defects_as_stars"), nullptr);
}

}  // namespace
}  // namespace starwaist
