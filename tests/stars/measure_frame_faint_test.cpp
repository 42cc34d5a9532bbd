// Stars that are faint or absent: found among noise and brighter light, followed from other frames,
// and none where there is none.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <memory>
#include <vector>

#include "stars/lonely_stars.h"
#include "starwaist/stars.h"
#include "support/analytic_stars.h"

namespace starwaist {
namespace {

using analytic::add_light;
using analytic::Annulus;
using analytic::Field;
using analytic::FieldOptions;
using analytic::Gaussian;

// Stars listed within `reach_px` of a true one.
int listed_near(const FrameMeasurement& frame, const analytic::TrueStar& truth, double reach_px) {
  return static_cast<int>(std::count_if(frame.stars.begin(), frame.stars.end(), [&](const Star& s) {
    return std::hypot(truth.x_px - s.x_px, truth.y_px - s.y_px) < reach_px;
  }));
}

// A field of rings 30 px across on a sky with a noise of 10 electrons.
const Annulus kFaintRing{15, 0.35};

FieldOptions faint_rings(int side_px, int count, double separation_px, double light_e) {
  FieldOptions options;
  options.width_px = options.height_px = side_px;
  options.star_count = count;
  options.min_separation_px = separation_px;
  options.margin_px = separation_px / 2;
  options.faintest_e = 0.998 * light_e;
  options.brightest_e = 1.002 * light_e;
  options.sky_e = 91;
  options.read_noise_e = 3;
  return options;
}

TEST(MeasureFrame, FaintRingBelowTheNoiseOfEveryPixelIsOneStar) {
  // 5000 electrons in a ring 30 px across: 0.7 sigma a pixel at a noise of 10, 19 sigma in all.
  const Field field = analytic::star_field(kFaintRing, faint_rings(512, 12, 90, 5000));
  const auto measured = measure_frame(field.frame);
  ASSERT_TRUE(measured.has_value());
  int found = 0;
  for (const auto& t : field.stars) found += listed_near(*measured, t, 5);
  EXPECT_GE(found, 11);
  EXPECT_LE(measured->stars.size(), 13U);
  ASSERT_TRUE(measured->hfr_px.has_value());
  // Twelve stars of SNR 19: each size is good to about 1.4 / SNR (background-limited, aperture 4
  // sigma), so the frame's to 2 %; three of these.
  EXPECT_NEAR(*measured->hfr_px, kFaintRing.half_flux_radius(),
              0.06 * kFaintRing.half_flux_radius());
}

// Twelve faint rings among four that are fifty times brighter, whose light in the sky would hide
// them: 8000 electrons in the same ring, matched signal-to-noise about 17.
TEST(MeasureFrame, FaintRingsAmongBrightOnesAreFound) {
  Field field = analytic::star_field(kFaintRing, faint_rings(640, 16, 110, 8000));
  FieldOptions bright = faint_rings(640, 4, 110, 400000);
  bright.sky_e = 0;
  bright.read_noise_e = 0;
  bright.seed += 7;
  const Field added = analytic::star_field(kFaintRing, bright);
  add_light(field.frame, [&](int x, int y) { return added.frame.pixels.at(x, y); });
  const auto measured = measure_frame(field.frame);
  ASSERT_TRUE(measured.has_value());
  int hidden = 0;
  int found = 0;
  for (const auto& t : field.stars) {
    const bool covered = std::any_of(added.stars.begin(), added.stars.end(), [&](const auto& b) {
      return std::hypot(t.x_px - b.x_px, t.y_px - b.y_px) < 60;
    });
    if (covered) {
      ++hidden;
    } else if (listed_near(*measured, t, 5) > 0) {
      ++found;
    }
  }
  EXPECT_GE(found, 16 - hidden - 1);
  EXPECT_GE(found, 6);
}

// A star too faint to be found among rings is measured where the sharp frame has it.
TEST(MeasureFrame, StarsThatVanishAreFollowed) {
  FieldOptions options;
  options.width_px = options.height_px = 700;
  options.star_count = 40;
  options.min_separation_px = 75;
  options.margin_px = 40;
  options.faintest_e = 1300;
  options.brightest_e = 60000;
  options.sky_e = 91;
  options.read_noise_e = 3;
  const Field sharp = analytic::star_field(Gaussian{1.8}, options);
  const Annulus ring{12, 0.35};
  const Field wide = analytic::star_field(ring, options);  // the same seed: the same stars
  std::shared_ptr<const FrameModel> model;
  std::vector<FrameMeasurement> frames;
  frames.push_back(*measure_frame(sharp.frame));
  frames.push_back(*measure_frame(wide.frame, {}, &model));
  ASSERT_TRUE(model != nullptr);
  const std::size_t before = frames[1].stars.size();
  const auto missing = missing_stars(frames, align_frames(frames));
  EXPECT_TRUE(missing[0].empty());
  ASSERT_GE(missing[1].size(), 3U);
  measure_known_stars(wide.frame, *model, missing[1], {}, frames[1]);
  EXPECT_GT(frames[1].stars.size(), before);
  int followed = 0;
  for (const Star& s : frames[1].stars) {
    if (!s.followed) continue;
    ++followed;
    double nearest = 1e9;
    double truth_e = 0;
    for (const auto& t : wide.stars) {
      const double distance = std::hypot(t.x_px - s.x_px, t.y_px - s.y_px);
      if (distance >= nearest) continue;
      nearest = distance;
      truth_e = t.flux_e;
    }
    EXPECT_LT(nearest, 1.0);
    if (s.snr <= 0) continue;
    // Its light within five of its own standard errors (and 5 % of blends and wings).
    EXPECT_NEAR(s.flux_adu, truth_e, 5 * s.flux_adu / s.snr + 0.05 * truth_e);
  }
  EXPECT_GE(followed, 3);
}

TEST(MeasureFrame, PureNoiseHasNoStars) {
  FieldOptions options;
  options.star_count = 0;
  options.width_px = options.height_px = 1000;
  const Field field = analytic::star_field(Gaussian{2.0}, options);
  const auto measured = measure_frame(field.frame);
  EXPECT_LE(measured->stars.size(), 1U);  // 1e-3 expected in a megapixel for each of five scales
}

}  // namespace
}  // namespace starwaist
