#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <limits>
#include <random>
#include <vector>

#include "starwaist/stars.h"

namespace starwaist {
namespace {

constexpr int kWidth = 600;
constexpr int kHeight = 400;

Frame sky(double noise_adu, float first_pixel) {
  std::mt19937_64 random(5);
  std::normal_distribution<double> normal(0, noise_adu);
  std::vector<float> pixels(static_cast<std::size_t>(kWidth) * kHeight);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      pixels[static_cast<std::size_t>(y * kWidth + x)] =
          static_cast<float>(1000 + 0.2 * x - 0.1 * y + normal(random));
    }
  }
  pixels.front() = first_pixel;
  Frame frame;
  frame.pixels = PixelBuffer(kWidth, kHeight, std::move(pixels));
  return frame;
}

TEST(SkyCells, TellTheLevelAndTheNoiseOfEachPart) {
  const auto cells = sky_cells(sky(20, 60000));
  ASSERT_TRUE(cells);
  ASSERT_EQ(cells->level_adu.size(), static_cast<std::size_t>(kSkyColumns * kSkyRows));
  for (int row = 0; row < kSkyRows; ++row) {
    for (int column = 0; column < kSkyColumns; ++column) {
      const auto k = static_cast<std::size_t>(row * kSkyColumns + column);
      const double x = (column + 0.5) * kWidth / kSkyColumns;
      const double y = (row + 0.5) * kHeight / kSkyRows;
      // 10,000 pixels a cell: a mean of noise 20 is good to 0.2, a standard deviation to 0.7 %;
      // four of these, and 1 % where the slope within a cell (rms 6.5) is not normal.
      EXPECT_NEAR(cells->level_adu[k], 1000 + 0.2 * x - 0.1 * y, 0.9);
      EXPECT_NEAR(cells->noise_adu[k], std::hypot(20, 6.5), 0.85);
    }
  }
}

// Counts of a weak sky: its noise is known better than in steps of one count.
TEST(SkyCells, WholeNumbersTellMoreThanWholeNumbers) {
  std::mt19937_64 random(11);
  const auto noise_of = [&](double photons) {
    std::poisson_distribution<int> poisson(photons);
    std::vector<std::uint16_t> pixels(static_cast<std::size_t>(kWidth) * kHeight);
    for (auto& pixel : pixels) pixel = static_cast<std::uint16_t>(100 + poisson(random));
    Frame frame;
    frame.pixels = PixelBuffer(kWidth, kHeight, std::move(pixels));
    return sky_cells(frame)->noise_adu[0];
  };
  // The variance of photons is their number; clipping takes whole counts, of 2.5 sigma at the most
  // one in twelve.
  EXPECT_NEAR(noise_of(30), std::sqrt(30), 0.25);
  EXPECT_NEAR(noise_of(34) / noise_of(30), std::sqrt(34.0 / 30), 0.035);
}

TEST(SkyCells, PixelsWithoutAValueDoNotCount) {
  EXPECT_TRUE(sky_cells(sky(20, std::numeric_limits<float>::quiet_NaN())));
  Frame tiny;
  tiny.pixels = PixelBuffer(12, 8, std::vector<float>(96, 5.0F));
  EXPECT_FALSE(sky_cells(tiny));
}

}  // namespace
}  // namespace starwaist
