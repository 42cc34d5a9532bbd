// The sky against surfaces known in closed form.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <random>
#include <utility>
#include <vector>

#include "stars/background.h"
#include "stars/sky_surface.h"

namespace starwaist::stars {
namespace {

// Mean over a cell of a level at its centre that bends with x and y (the mean of x^2 over a cell is
// 1/12 above its square).
constexpr double kBendX = 0.05;
constexpr double kBendY = 0.03;

double level_at(double column, double row) {
  return 300 + 0.2 * column - 0.1 * row + kBendX * column * column - 0.02 * column * row +
         kBendY * row * row;
}

CellGrid means_of(int columns, int rows) {
  CellGrid grid{columns, rows, {}};
  for (int r = 0; r < rows; ++r) {
    for (int c = 0; c < columns; ++c) {
      grid.value.push_back(static_cast<float>(level_at(c, r) + (kBendX + kBendY) / 12));
    }
  }
  return grid;
}

constexpr double kFloat = 1e-3;  // of levels near 300 in single precision

TEST(LevelSurface, FollowsAQuadraticUpToTheCorners) {
  const CellGrid surface = level_surface(means_of(9, 7), 1, 0.01, 1, 1);
  for (int r = 0; r < 7; ++r) {
    for (int c = 0; c < 9; ++c) EXPECT_NEAR(surface.at(r, c), level_at(c, r), kFloat);
  }
}

TEST(LevelSurface, LeavesOutWhatAFewCellsShow) {
  constexpr double kSigma = 0.05;
  CellGrid means = means_of(9, 7);
  // A galaxy over three cells, one at the edge of the frame and one in its corner.
  for (const auto& [row, column] :
       std::vector<std::pair<int, int>>{{3, 4}, {3, 5}, {2, 4}, {5, 0}, {0, 8}}) {
    means.at(row, column) += 20;
  }
  const CellGrid surface = level_surface(means, 1, kSigma, 1, 1);
  for (int r = 0; r < 7; ++r) {
    for (int c = 0; c < 9; ++c) {
      EXPECT_NEAR(surface.at(r, c), level_at(c, r), 2 * kSigma) << r << ' ' << c;
    }
  }
}

TEST(LevelSurface, IsSmootherThanTheCells) {
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0, 0.5);
  double inner = 0;
  double corner = 0;
  constexpr int kTrials = 60;
  for (int trial = 0; trial < kTrials; ++trial) {
    CellGrid means = means_of(20, 16);
    for (float& v : means.value) v += static_cast<float>(noise(random));
    const CellGrid surface = level_surface(means, 1, 0.5, 1, 1);
    inner += std::pow(surface.at(8, 10) - level_at(10, 8), 2) / kTrials;
    corner += std::pow(surface.at(0, 0) - level_at(0, 0), 2) / kTrials;
  }
  // Least squares: the level in the middle of 25 cells has a variance of 27/175 of a cell's (the
  // smoother of Savitzky & Golay 1964, from memory, has 17/35 along one axis alone), that in a
  // corner nearly a cell's. 60 trials know a variance to 18 %: three such errors.
  EXPECT_NEAR(inner / 0.25, 27.0 / 175, 0.55 * 27 / 175);
  EXPECT_LT(corner / 0.25, 1.4);
}

TEST(LevelSurface, IsTheSameForAnyNumberOfThreads) {
  CellGrid means = means_of(12, 10);
  means.at(4, 4) += 9;
  EXPECT_EQ(level_surface(means, 1, 0.1, 4, 1).value, level_surface(means, 1, 0.1, 4, 2).value);
}

TEST(LevelSurface, TakesAnyNumberOfCells) {
  for (const auto& [columns, rows] :
       std::vector<std::pair<int, int>>{{1, 1}, {2, 1}, {1, 3}, {2, 2}, {4, 4}, {3, 9}}) {
    const CellGrid means{
        columns, rows,
        std::vector<float>(static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows), 7)};
    for (const float v : level_surface(means, 1, 0.1, 4, 1).value) EXPECT_NEAR(v, 7, kFloat);
  }
}

TEST(LevelSurface, FollowsAQuadraticBetweenTheCellsAndUpToTheEdges) {
  const CellGrid fine = level_surface(means_of(5, 3), 1, 0.01, 4, 1);
  ASSERT_EQ(fine.columns, 20);
  ASSERT_EQ(fine.rows, 12);
  for (int r = 0; r < 12; ++r) {
    for (int c = 0; c < 20; ++c) {
      EXPECT_NEAR(fine.at(r, c), level_at((c + 0.5) / 4 - 0.5, (r + 0.5) / 4 - 0.5), kFloat);
    }
  }
}

// A frame whose light falls by a quarter to the corners (the fourth power of the cosine and shaded
// optics: common practice, no source) under a gradient of 15 %: what is left of the sky, in units
// of its noise, is the error that a star's aperture sums up.
TEST(MapSky, FollowsTheFallOfLightToTheCorners) {
  constexpr int kWidth = 900;
  constexpr int kHeight = 700;
  constexpr double kSky = 2500;
  const auto level = [](double x, double y) {
    // In half diagonals, the axis a tenth of that off the middle.
    const double u = (x - kWidth / 2.0 - 57) / 570;
    const double v = (y - kHeight / 2.0) / 570;
    return kSky * std::pow(1 + 0.156 * (u * u + v * v), -2) * (1 + 0.07 * u - 0.03 * v);
  };
  std::mt19937 random(11);
  std::vector<std::uint16_t> pixels;
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const double mean = level(x, y);
      pixels.push_back(static_cast<std::uint16_t>(
          std::lround(std::normal_distribution<double>(mean, std::sqrt(mean))(random))));
    }
  }
  Frame frame;
  frame.pixels = PixelBuffer(kWidth, kHeight, std::move(pixels));
  const auto sky = map_sky(frame, 1);
  ASSERT_TRUE(sky);
  const double noise = std::sqrt(kSky);
  double worst_inside = 0;
  double worst = 0;
  for (int y = 0; y < kHeight; y += 7) {
    for (int x = 0; x < kWidth; x += 7) {
      const double error = std::abs(sky->level_adu(x, y) - level(x, y)) / noise;
      worst = std::max(worst, error);
      if (x > 100 && y > 100 && x < kWidth - 100 && y < kHeight - 100) {
        worst_inside = std::max(worst_inside, error);
      }
    }
  }
  // A cell knows its level to 1.1 % of the noise, the surface through these few cells to hardly
  // less, half a cell beyond the outermost centres to 3 %. Four such errors for the worst place.
  EXPECT_LT(worst_inside, 0.05);
  EXPECT_LT(worst, 0.12);
}

TEST(SkyMap, TakesOffARowWhatItSaysOfItsPixels) {
  CellGrid level = means_of(6, 5);
  level.at(2, 3) += 40;
  const SkyMap sky(211, 163, level, level);
  for (const int y : {0, 3, 81, 162}) {
    for (const int begin : {0, 17, 100, 205}) {
      std::vector<float> row(static_cast<std::size_t>(211 - begin), 0.0F);
      sky.subtract_from_row(y, begin, row);
      for (std::size_t k = 0; k < row.size(); ++k) {
        EXPECT_NEAR(-row[k], sky.level_adu(begin + static_cast<double>(k), y), 2 * kFloat);
      }
    }
  }
}

}  // namespace
}  // namespace starwaist::stars
