// Centre, shape and profile width of profiles known in closed form, and means with outliers.
#include "stars/star_shape.h"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "stars/stamp.h"
#include "stars/summary.h"

namespace starwaist::stars {
namespace {

template <class Profile>
Stamp drawn(int side_px, Profile&& profile) {
  Stamp stamp{1000, 2000, side_px, side_px, {}};
  for (int y = 0; y < side_px; ++y) {
    for (int x = 0; x < side_px; ++x) {
      stamp.pixels.push_back(static_cast<float>(profile(x + 1000.0, y + 2000.0)));
    }
  }
  return stamp;
}

// A Gaussian's own axes: e1 = (a^2 - b^2) / (a^2 + b^2). Windows of 8, 24 and 48 px are looked at
// in single pixels and in bins of 2 and 4; a pixel without a value is one of a bin of more.
TEST(WindowedStamp, BinsChangeNeitherCentreNorShape) {
  constexpr Centre kTruth{1150.3, 2149.6};
  constexpr double kCentrePx = 5e-3;  // steps of a 5000th of the window end the search
  constexpr double kShape = 2e-3;     // bins of a 10th of the window, single precision
  const Centre start{kTruth.x_px + 1.4, kTruth.y_px - 0.8};
  for (const double window_px : {8.0, 24.0, 48.0}) {
    const double a = 0.6 * window_px;
    const double b = 0.5 * window_px;
    Stamp stamp = drawn(301, [&](double x, double y) {
      const double u = (x - kTruth.x_px) / a;
      const double v = (y - kTruth.y_px) / b;
      return 1000 * std::exp(-0.5 * (u * u + v * v));
    });
    stamp.pixels[10] = std::nanf("");
    const WindowedStamp windowed(stamp, window_px);
    const auto centre = windowed_centroid(windowed, start, window_px, 3);
    ASSERT_TRUE(centre.has_value()) << window_px;
    EXPECT_NEAR(centre->x_px, kTruth.x_px, kCentrePx) << window_px;
    EXPECT_NEAR(centre->y_px, kTruth.y_px, kCentrePx) << window_px;
    const auto shape = windowed_polarisation(windowed, *centre, window_px);
    ASSERT_TRUE(shape.has_value()) << window_px;
    EXPECT_NEAR(shape->e1, (a * a - b * b) / (a * a + b * b), kShape) << window_px;
    EXPECT_NEAR(shape->e2, 0, kShape) << window_px;
  }
}

// FWHM = 2 alpha sqrt(2^(1/beta) - 1).
TEST(FitMoffat, AHeldExponentGivesTheWidthOfItsProfile) {
  constexpr double kOfWidth = 1e-4;  // the last step; the table is exact to 1e-5 of the peak
  constexpr Centre kCentre{1020.2, 2019.7};
  for (const double beta : {2.5, 3.5, 4.765}) {
    constexpr double kAlphaPx = 3.1;
    const double fwhm_px = 2 * kAlphaPx * std::sqrt(std::exp2(1 / beta) - 1);
    const Stamp stamp = drawn(41, [&](double x, double y) {
      const double r2 = std::pow(x - kCentre.x_px, 2) + std::pow(y - kCentre.y_px, 2);
      return 500 * std::pow(1 + r2 / (kAlphaPx * kAlphaPx), -beta);
    });
    for (const double start : {0.5, 1.0, 2.0}) {
      const auto fit = fit_moffat(stamp, kCentre, 12, start * fwhm_px, MoffatWing(beta));
      ASSERT_TRUE(fit.has_value()) << beta << ' ' << start;
      EXPECT_NEAR(fit->fwhm_px, fwhm_px, kOfWidth * fwhm_px) << beta << ' ' << start;
    }
  }
}

// 101 evenly spread values about 10 and 20 far ones: the far ones move the median by 10 places of
// 0.02, the spread is half the width, and the mean of the rest is 10.
TEST(ClippedMean, LeavesFarValuesOut) {
  std::vector<float> values(20, 1000.0F);
  for (int i = -50; i <= 50; ++i) values.push_back(10 + 0.02F * static_cast<float>(i));
  const ClippedMean mean = clipped_mean(values, 0.01);
  EXPECT_EQ(mean.count, 101U);
  EXPECT_NEAR(mean.value, 10, 1e-5);
  EXPECT_EQ(clipped_mean(std::vector<float>{7, 7, 7}, 0).value, 7);
}

}  // namespace
}  // namespace starwaist::stars
