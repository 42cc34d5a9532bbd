// Frames with hostile pixels: trails, hot pixels, bad columns, saturation, no stars, no values.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <string>
#include <variant>
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
using analytic::kBias;
using analytic::lonely;
using analytic::Moffat;

// A line of 60 noise sigmas across the frame is neither the frame's size nor a row of stars.
TEST(MeasureFrame, ASatellitesTrailIsKeptOut) {
  const Moffat profile{2.5, 3.5};
  Field field = analytic::star_field(profile, lonely(1.5, 36));
  const auto before = measure_frame(field.frame);
  const int height = field.frame.pixels.height_px();
  add_light(field.frame, [height](int x, int y) {
    const double across = (y - 0.3 * height - 0.37 * x) / std::hypot(1.0, 0.37);
    return 600 * std::exp(-0.5 * across * across / (1.2 * 1.2));
  });
  const auto after = measure_frame(field.frame);
  ASSERT_TRUE(before && after && before->hfr_px && after->hfr_px);
  EXPECT_NEAR(*after->hfr_px / *before->hfr_px, 1, 0.01);
  EXPECT_LE(after->star_count, before->star_count);
  EXPECT_GT(after->defect_count, before->defect_count + 5);
}

TEST(MeasureFrame, HotPixelsAreCountedAndChangeNoSize) {
  const Gaussian profile{1.5};
  const Field field = analytic::star_field(profile, lonely(1.8, 25));
  auto pixels = std::get<std::vector<std::uint16_t>>(field.frame.pixels.storage());
  const int width = field.frame.pixels.width_px();
  int hot = 0;
  for (std::size_t i = 997; i < pixels.size(); i += 997) {
    pixels[i] = static_cast<std::uint16_t>(std::min(65000, pixels[i] + 9000));
    ++hot;
  }
  Frame frame = field.frame;
  frame.pixels = PixelBuffer(width, field.frame.pixels.height_px(), pixels);
  const auto clean = measure_frame(field.frame);
  const auto spoiled = measure_frame(frame);
  EXPECT_NEAR(*spoiled->hfr_px, *clean->hfr_px, 0.01 * *clean->hfr_px);
  EXPECT_GT(spoiled->defect_count, 0.9 * hot);
  EXPECT_LE(spoiled->stars.size(), clean->stars.size() + 1);
}

TEST(MeasureFrame, BadColumnsPassForNoStarsAndChangeNoSize) {
  for (const double outer_px : {2.5, 14.0}) {
    const Annulus profile{outer_px, 0.35};
    const Field field = analytic::star_field(profile, lonely(0.75 * outer_px, 25));
    const auto& good = std::get<std::vector<std::uint16_t>>(field.frame.pixels.storage());
    const int width = field.frame.pixels.width_px();
    const int height = field.frame.pixels.height_px();
    auto pixels = good;
    const auto at = [&](int x, int y) -> std::uint16_t& {
      return pixels[static_cast<std::size_t>(y * width + x)];
    };
    for (int y = 0; y < height; ++y) {
      for (int x = 40; x + 100 < width; x += 160) {
        at(x, y) = 0;  // dead
        at(x + 50, y) = static_cast<std::uint16_t>(std::min(65000, at(x + 50, y) + 3000));
        if (y > height / 3) {
          at(x + 100, y) = static_cast<std::uint16_t>(std::min(65000, at(x + 100, y) + 800));
        }
      }
    }
    Frame frame = field.frame;
    frame.pixels = PixelBuffer(width, height, pixels);
    const auto clean = measure_frame(field.frame);
    const auto spoiled = measure_frame(frame);
    ASSERT_TRUE(clean && spoiled && clean->hfr_px && spoiled->hfr_px);
    EXPECT_NEAR(*spoiled->hfr_px / *clean->hfr_px, 1, 0.01) << outer_px;
    EXPECT_LE(spoiled->star_count, clean->star_count) << outer_px;
    EXPECT_GE(spoiled->star_count, clean->star_count / 2) << outer_px;
  }
}

TEST(MeasureFrame, SaturatedStarsAreFlaggedAndLeftOut) {
  const Gaussian profile{1.5};
  FieldOptions options = lonely(1.8, 25);
  options.saturation_adu = 20000;
  options.gain_e_per_adu = 1;
  options.brightest_e = 2e6;
  const Field field = analytic::star_field(profile, options);
  const auto measured = measure_frame(field.frame);
  EXPECT_GE(measured->saturated_count, 1);
  EXPECT_NEAR(*measured->hfr_px / analytic::recorded_half_flux_radius(profile), 1, kBias);
  Frame unsaid = field.frame;  // the level must also be found from the pixels
  unsaid.facts.saturation_adu.reset();
  EXPECT_EQ(measure_frame(unsaid)->saturated_count, measured->saturated_count);
}

Frame constant_frame(int width, int height, float value) {
  Frame frame;
  frame.file = "constant.fits";
  frame.pixels =
      PixelBuffer(width, height,
                  std::vector<float>(
                      static_cast<std::size_t>(width) * static_cast<std::size_t>(height), value));
  return frame;
}

TEST(MeasureFrame, FramesWithoutStarsAreMeasuredWithoutSizes) {
  for (const int side : {1, 3, 8, 40, 300}) {
    // Two levels in turn: the least that is not a constant frame.
    analytic::Image image(side, side, 100);
    for (int i = 0; i < side * side; i += 2) image.values[static_cast<std::size_t>(i)] = 101;
    const auto measured = measure_frame(analytic::float_frame_of(image));
    if (!measured) {
      EXPECT_LT(side, 8);  // too few pixels for a sky
      continue;
    }
    EXPECT_EQ(measured->star_count, 0);
    EXPECT_FALSE(measured->hfr_px.has_value());
    EXPECT_FALSE(measured->hfr_sigma_px.has_value());
  }
}

TEST(MeasureFrame, AFrameOfOneValueIsAnError) {
  for (const int side : {1, 40, 300}) {
    const auto measured = measure_frame(constant_frame(side, side, 100));
    ASSERT_FALSE(measured.has_value());
    EXPECT_EQ(measured.error().code, ErrorCode::no_data);
  }
}

TEST(MeasureFrame, FrameWithoutAnyValueIsAnError) {
  const auto measured =
      measure_frame(constant_frame(64, 64, std::numeric_limits<float>::quiet_NaN()));
  ASSERT_FALSE(measured.has_value());
  EXPECT_EQ(measured.error().code, ErrorCode::no_data);
  EXPECT_NE(measured.error().message.find("constant.fits"), std::string::npos);
}

TEST(MeasureFrame, BlankColumnsAndHugeValuesAreSurvived) {
  const Field field = analytic::star_field(Gaussian{2.0}, lonely(2.3, 16));
  const auto& stored = std::get<std::vector<std::uint16_t>>(field.frame.pixels.storage());
  std::vector<float> pixels(stored.begin(), stored.end());
  const int width = field.frame.pixels.width_px();
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    if (i % static_cast<std::size_t>(width) == 50) {
      pixels[i] = std::numeric_limits<float>::quiet_NaN();
    }
  }
  pixels[static_cast<std::size_t>(width) * 20 + 90] = 1e30F;
  pixels[static_cast<std::size_t>(width) * 60 + 20] = -1e30F;
  pixels[static_cast<std::size_t>(width) * 70 + 30] = std::numeric_limits<float>::infinity();
  Frame frame = field.frame;
  frame.pixels = PixelBuffer(width, field.frame.pixels.height_px(), pixels);
  const auto measured = measure_frame(frame);
  ASSERT_TRUE(measured && measured->hfr_px);
  EXPECT_NEAR(*measured->hfr_px, *measure_frame(field.frame)->hfr_px, 0.02 * 2.4);
}

}  // namespace
}  // namespace starwaist
