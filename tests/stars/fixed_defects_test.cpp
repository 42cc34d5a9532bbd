// Defects that a run or darks show, against pixels that were put there by hand.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "starwaist/darks.h"
#include "starwaist/frame.h"
#include "starwaist/stars.h"
#include "support/analytic_stars.h"
#include "support/fits_bytes.h"
#include "support/needed.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using analytic::Image;
using testing_support::TemporaryFolder;

constexpr int kSide = 200;

// Sky and a hot pixel at (50, 60), a warm spot at (120, 80); a star that `moves` or not.
Image sky_with_defects(double star_x_px, double star_size_px) {
  Image image(kSide, kSide, 100);
  image.at(50, 60) += 2000;
  analytic::draw(image, analytic::Gaussian{0.9}, 120.3, 80.2, 3000, 6);
  analytic::draw(image, analytic::Gaussian{star_size_px}, star_x_px, 150, 20000, 30);
  return image;
}

Frame exposed(Image image, std::uint64_t seed) {
  analytic::add_noise(image, 3, 1, 500, seed);
  return analytic::frame_of(image, 1, 3);
}

DefectMap fixed_of(const std::vector<Frame>& frames) {
  std::vector<std::vector<SharpPixel>> lists;
  for (const Frame& frame : frames) lists.push_back(sharp_pixels(frame));
  std::vector<const std::vector<SharpPixel>*> pointers;
  for (const auto& list : lists) pointers.push_back(&list);
  return fixed_pixels(pointers, kSide, kSide);
}

bool has_pixel(const DefectMap& map, int x, int y) {
  return std::any_of(map.pixels.begin(), map.pixels.end(),
                     [&](const PixelPlace& p) { return p.x_px == x && p.y_px == y; });
}

TEST(FixedPixels, AreThoseThatStayAndKeepTheirLight) {
  std::vector<Frame> dithered;
  std::vector<Frame> defocused;
  for (int i = 0; i < 7; ++i) {
    dithered.push_back(exposed(sky_with_defects(140 + 3 * i, 1.5), 10U + static_cast<unsigned>(i)));
    defocused.push_back(exposed(sky_with_defects(140, 1.5 + 0.5 * std::abs(i - 3)),
                                30U + static_cast<unsigned>(i)));
  }
  for (const auto& frames : {dithered, defocused}) {
    const DefectMap map = fixed_of(frames);
    EXPECT_EQ(map.places.size(), 2U);
    EXPECT_TRUE(has_pixel(map, 50, 60));
    // The spot whole: its light is 2 % of the peak's 2.5 px off.
    for (int y = 79; y <= 81; ++y) {
      for (int x = 119; x <= 122; ++x) EXPECT_TRUE(has_pixel(map, x, y)) << x << " " << y;
    }
    EXPECT_FALSE(has_pixel(map, 140, 150));
    EXPECT_LT(map.pixels.size(), 60U);
  }
}

TEST(WithoutDefects, FillsInWhatStandsAround) {
  Image image(kSide, kSide, 300);
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) image.at(x, y) += static_cast<float>(2 * x + y);
  }
  const float truth = image.at(70, 90);
  image.at(70, 90) = 30000;
  DefectMap map{"by hand", kSide, kSide, {{70, 90}}, {{70, 90}}};
  const Frame frame = without_defects(analytic::frame_of(image, 1, 3), map);
  EXPECT_NEAR(frame.pixels.at(70, 90), truth, 1);
  EXPECT_EQ(frame.pixels.at(71, 90), image.at(71, 90));
  EXPECT_EQ(frame.left_out.size(), 1U);
}

TEST(WithoutDefects, FillsAMosaicFromSitesOfTheSameColour) {
  Image image(kSide, kSide);
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x)
      image.at(x, y) = 100.0F * static_cast<float>(1 + 2 * (y % 2) + x % 2);
  }
  Frame mosaic = analytic::frame_of(image, 1, 3);
  mosaic.facts.bayer = BayerTile{};
  const DefectMap map{"by hand", kSide, kSide, {{70, 90}, {71, 91}}, {{70, 90}}};
  const Frame frame = without_defects(mosaic, map);
  EXPECT_EQ(frame.pixels.at(70, 90), 100);
  EXPECT_EQ(frame.pixels.at(71, 91), 400);
}

std::string write_dark(const TemporaryFolder& folder, const std::string& name, int side,
                       std::uint64_t seed) {
  Image image(side, side, 20);
  for (int k = 0; k < 30; ++k) image.at(10 + 5 * k, 40 + 3 * k) += 500;
  // An amplifier's glow: smooth, and no defect.
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x)
      image.at(x, y) += static_cast<float>(4000 * std::exp(-0.05 * std::hypot(x, y)));
  }
  analytic::add_noise(image, 3, 1, 500, seed);
  const Frame frame = analytic::frame_of(image, 1, 3);
  return folder.write(
      name, testing_support::fits_image(
                side, side, std::get<std::vector<std::uint16_t>>(frame.pixels.storage())));
}

TEST(DefectsOfDarks, AreHotPixelsAndNotTheGlow) {
  const TemporaryFolder folder;
  const auto map = defects_of_darks({write_dark(folder, "a.fits", kSide, 1),
                                     write_dark(folder, "b.fits", kSide, 2),
                                     write_dark(folder, "c.fits", kSide, 3)});
  ASSERT_TRUE(map.has_value()) << map.error().text();
  for (int k = 0; k < 30; ++k) EXPECT_TRUE(has_pixel(*map, 10 + 5 * k, 40 + 3 * k)) << k;
  // By chance: 3e-5 of the pixels in each, and hardly any in two.
  EXPECT_LE(map->places.size(), 33U);
}

TEST(DefectsOfDarks, NameTheDarkOfAnotherSize) {
  const TemporaryFolder folder;
  const auto map = defects_of_darks(
      {write_dark(folder, "a.fits", kSide, 1), write_dark(folder, "small.fits", 180, 2)});
  ASSERT_FALSE(map.has_value());
  EXPECT_EQ(map.error().message.find("small.fits: "), 0U) << map.error().message;
}

TEST(DefectsOfDarks, HoldTheHotPixelsOfARealDark) {
  const std::string path =
      std::string(STARWAIST_REAL_DATA_DIR) + "/darks/color_camera_dark_100s.fit";
  STARWAIST_NEEDS(std::filesystem::exists(path), path << " is not there");
  const auto map = defects_of_darks({path});
  ASSERT_TRUE(map.has_value());
  const auto frame = read_frame(path);
  ASSERT_TRUE(frame.has_value());
  const PixelBuffer& pixels = frame->pixels;
  std::vector<double> values;
  for (int y = 0; y < pixels.height_px(); ++y) {
    for (int x = 0; x < pixels.width_px(); ++x) values.push_back(pixels.at(x, y));
  }
  // 30 spreads above the middle of the whole frame.
  std::vector<double> sorted = values;
  std::sort(sorted.begin(), sorted.end());
  const double middle = sorted[sorted.size() / 2];
  const double limit = middle + 30 * (middle - sorted[sorted.size() * 16 / 100]);
  std::vector<bool> in_map(values.size(), false);
  for (const PixelPlace& p : map->pixels) {
    in_map[static_cast<std::size_t>(p.y_px) * static_cast<std::size_t>(pixels.width_px()) +
           static_cast<std::size_t>(p.x_px)] = true;
  }
  constexpr int kRimPx = 4;  // has no surroundings to be compared with
  int hot = 0;
  int held = 0;
  for (int y = kRimPx; y < pixels.height_px() - kRimPx; ++y) {
    for (int x = kRimPx; x < pixels.width_px() - kRimPx; ++x) {
      const auto i = static_cast<std::size_t>(y) * static_cast<std::size_t>(pixels.width_px()) +
                     static_cast<std::size_t>(x);
      if (!(values[i] > limit)) continue;
      ++hot;
      held += in_map[i] ? 1 : 0;
    }
  }
  EXPECT_GT(hot, 500);  // enough to show one per cent
  EXPECT_GE(held, 0.99 * hot);
  EXPECT_LT(static_cast<double>(map->pixels.size()), 0.25 * static_cast<double>(values.size()));
}

}  // namespace
}  // namespace starwaist
