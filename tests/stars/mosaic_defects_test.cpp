// Hot pixels of colour mosaics: a real dark, and stars of closed form that must stay.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <random>
#include <string>
#include <variant>
#include <vector>

#include "stars/lonely_stars.h"
#include "starwaist/codes.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"
#include "support/needed.h"

namespace starwaist {
namespace {

using analytic::Field;
using analytic::Gaussian;
using analytic::lonely;

// Green where x + y is odd; red and blue sites get `other` of the light.
Frame mosaic_of(const Field& field, double other) {
  const int width = field.frame.pixels.width_px();
  auto pixels = std::get<std::vector<std::uint16_t>>(field.frame.pixels.storage());
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const std::size_t x = i % static_cast<std::size_t>(width);
    const std::size_t y = i / static_cast<std::size_t>(width);
    if ((x + y) % 2 == 0) pixels[i] = static_cast<std::uint16_t>(std::lround(other * pixels[i]));
  }
  Frame frame = field.frame;
  frame.pixels = PixelBuffer(width, field.frame.pixels.height_px(), std::move(pixels));
  frame.facts.bayer = BayerTile{};
  return frame;
}

// Adds `adu` to `count` pixels, each with a warm neighbour in one of three.
void add_hot_pixels(Frame& frame, int count, double adu, unsigned seed) {
  const int width = frame.pixels.width_px();
  const int height = frame.pixels.height_px();
  auto pixels = std::get<std::vector<std::uint16_t>>(frame.pixels.storage());
  std::mt19937_64 random(seed);
  std::uniform_int_distribution<int> x_of(4, width - 5);
  std::uniform_int_distribution<int> y_of(4, height - 5);
  std::exponential_distribution<double> brightness(1 / adu);
  const auto add = [&](int x, int y, double more) {
    auto& pixel = pixels[static_cast<std::size_t>(y) * static_cast<std::size_t>(width) +
                         static_cast<std::size_t>(x)];
    pixel = static_cast<std::uint16_t>(std::min(65535.0, pixel + more));
  };
  for (int i = 0; i < count; ++i) {
    const int x = x_of(random);
    const int y = y_of(random);
    const double more = brightness(random);
    add(x, y, more);
    if (i % 3 == 0) add(x + 1, y, 0.3 * more);
  }
  frame.pixels = PixelBuffer(width, height, std::move(pixels));
}

int near_a_star(const Frame& colour, const Field& field, double within_px) {
  return static_cast<int>(
      std::count_if(colour.repaired.begin(), colour.repaired.end(), [&](const PixelPlace& place) {
        return std::any_of(field.stars.begin(), field.stars.end(), [&](const auto& star) {
          return std::hypot(star.x_px - place.x_px, star.y_px - place.y_px) < within_px;
        });
      }));
}

TEST(OneColour, LeavesTheSharpestStarsAlone) {
  for (const double sigma_px : {0.75, 0.9, 1.1}) {
    const Field field = analytic::star_field(Gaussian{sigma_px}, lonely(1.2 * sigma_px, 400));
    ASSERT_GT(field.stars.size(), 300U);
    for (const double other : {1.0, 0.6}) {
      const Frame colour = one_colour(mosaic_of(field, other));
      // Of real stars of 0.94 to 1.34 px this rule took 0.3 %.
      EXPECT_LE(near_a_star(colour, field, 3), 3) << sigma_px << " " << other;
    }
  }
}

TEST(OneColour, RepairsHotPixelsSoThatNoneIsAStar) {
  const Field field = analytic::star_field(Gaussian{1.5}, lonely(1.8, 100));
  Frame frame = mosaic_of(field, 0.7);
  const auto without = measure_frame(frame);
  ASSERT_TRUE(without);
  add_hot_pixels(frame, 3000, 800, 7);
  const auto measured = measure_frame(frame);
  ASSERT_TRUE(measured);
  // One in two is green, and of those the faint ones stand out of nothing.
  EXPECT_GT(measured->defect_count, 900);
  EXPECT_NEAR(measured->star_count, without->star_count, 0.06 * without->star_count);
  EXPECT_NEAR(*measured->hfr_px / *without->hfr_px, 1, 0.01);
}

TEST(MeasureFrame, ARealDarkHasNoStars) {
  const std::string path =
      std::string(STARWAIST_REAL_DATA_DIR) + "/darks/color_camera_dark_100s.fit";
  STARWAIST_NEEDS(std::filesystem::exists(path), path << " is not there");
  const auto frame = read_frame(path);
  ASSERT_TRUE(frame);
  ASSERT_TRUE(frame->facts.bayer);
  for (const ColorChannel channel : {ColorChannel::green, ColorChannel::red, ColorChannel::blue}) {
    MeasureOptions options;
    options.channel = channel;
    const auto measured = measure_frame(*frame, options);
    ASSERT_TRUE(measured);
    EXPECT_LE(measured->star_count, 5);
    EXPECT_FALSE(measured->hfr_px);
    EXPECT_GT(measured->defect_count, 500);
    const bool says_so = std::any_of(
        measured->remarks.begin(), measured->remarks.end(),
        [](const Statement& remark) { return remark.code == codes::looks_like_a_dark; });
    EXPECT_TRUE(says_so);
  }
}

}  // namespace
}  // namespace starwaist
