#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "stars/aperture.h"
#include "stars/growth_profile.h"
#include "support/analytic_stars.h"

namespace starwaist::stars {
namespace {

template <class Profile>
Stamp stamp_of(const Profile& profile, int reach, double x, double y) {
  analytic::Image image(2 * reach + 1, 2 * reach + 1);
  analytic::draw(image, profile, reach + x, reach + y, 1.0, 3.0 * reach);
  return {0, 0, image.width_px, image.height_px, image.values};
}

// Samples of a constant on a square grid: their weights sum to the circle's area, wherever its
// centre lies (the kernel passes no frequency of the grid).
TEST(CircleWeight, SumsToTheCircle) {
  for (const double r : {0.6, 1.3, 4.7, 20.1}) {
    double area = 0;
    for (int y = -28; y <= 28; ++y) {
      for (int x = -28; x <= 28; ++x) area += circle_weight(std::hypot(x + 0.21, y - 0.37), r);
    }
    const double circle = std::numbers::pi * r * r;
    EXPECT_NEAR(area, circle, 0.001 + 2e-4 * circle) << r;  // 1e-4 is left beyond the rim's reach
  }
}

// The growth curve's table against the definition, near the centre and where the far form serves.
TEST(GrowthCurve, TableHoldsTheWeights) {
  for (const double distance : {0.0, 0.7, 3.3, 11.9, 12.4, 20.3, 37.6, 55.2}) {
    constexpr int kReach = 70;
    constexpr std::size_t kSide = 2 * kReach + 1;
    Stamp stamp{0, 0, 2 * kReach + 1, 2 * kReach + 1, {}};
    stamp.pixels.assign(kSide * kSide, 0.0F);
    const int column = kReach + static_cast<int>(std::ceil(distance));
    stamp.pixels[kReach * kSide + static_cast<std::size_t>(column)] = 1;
    const GrowthCurve growth(stamp, {column - distance, static_cast<double>(kReach)}, 64.0);
    for (double r = 0.5; r < 64; r += 0.83) {
      // Linear in the distance over 1/16 px, cubic in the radius over 1/4 px; far out 1 / d^2.
      EXPECT_NEAR(growth.flux(r), circle_weight(distance, r), 0.002) << distance << " " << r;
    }
  }
}

TEST(GrowthCurve, HalfFluxRadiusOfTheRecordedProfileIsRecovered) {
  // The closed form of the profile convolved with one pixel. At sigma 0.85 px the sampling limit
  // cuts 3 % of the profile's amplitude.
  for (const double sigma : {0.85, 1.0, 1.5, 3.0}) {
    const analytic::Gaussian profile{sigma};
    const int reach = static_cast<int>(8 * sigma) + 4;
    for (const double phase : {0.0, 0.25, 0.5}) {
      const Stamp stamp = stamp_of(profile, reach, phase, -phase);
      const GrowthCurve growth(stamp, {reach + phase, reach - phase}, reach - 2.0);
      EXPECT_NEAR(growth.radius_of(0.5) / analytic::recorded_half_flux_radius(profile), 1,
                  sigma < 1.2 ? 0.009 : 0.001)
          << sigma << " " << phase;
    }
  }
}

TEST(GrowthCurve, MeanRadiusOfADiscIsTwoThirds) {
  const analytic::Annulus profile{12.0, 0.0};
  const Stamp stamp = stamp_of(profile, 20, 0.3, 0.1);
  const GrowthCurve growth(stamp, {20.3, 20.1}, 18.0);
  EXPECT_NEAR(growth.flux(18.0), 1.0, 1e-3);
  EXPECT_NEAR(growth.mean_radius(18.0), 8.0, 0.02);  // 2 R / 3; the pixel rounds the rim
  EXPECT_NEAR(growth.radius_of(0.5), 12 / std::sqrt(2.0), 0.01);
}

TEST(GrowthCurve, MissingPixelsCountAsTheirRing) {
  const analytic::Gaussian profile{3.0};
  Stamp stamp = stamp_of(profile, 20, 0, 0);
  for (int y = 0; y < stamp.height_px; ++y) {
    stamp.pixels[static_cast<std::size_t>(y) * static_cast<std::size_t>(stamp.width_px) + 23] =
        std::numeric_limits<float>::quiet_NaN();
  }
  const GrowthCurve growth(stamp, {20, 20}, 18.0);
  EXPECT_NEAR(growth.flux(18.0), 1.0, 0.01);
}

TEST(GrowthProfile, GaussianFractionsAndStackAgree) {
  const GrowthProfile gaussian = GrowthProfile::gaussian();
  EXPECT_NEAR(gaussian.fraction(1.0), 0.5, 1e-9);
  EXPECT_NEAR(gaussian.slope(1.0), std::numbers::ln2, 0.01);  // d(1 - 2^(-x^2))/dx at 1
  EXPECT_NEAR(gaussian.central_ratio(), 2.0, 0.12);
  const analytic::Gaussian profile{2.0};
  const Stamp stamp = stamp_of(profile, 24, 0.2, 0.4);
  const ProfileStar star{
      stamp, {24.2, 24.4}, 22.0, analytic::recorded_half_flux_radius(profile), 1e-7};
  const auto stacked = stacked_profile(std::span(&star, 1), 0, 1);
  ASSERT_TRUE(stacked.has_value());
  for (const double x : {0.5, 1.0, 1.5, 2.0}) {
    EXPECT_NEAR(stacked->fraction(x), 1 - std::exp2(-x * x), 0.01) << x;
  }
}

TEST(GrowthProfile, MoffatWingIsContinued) {
  const analytic::Moffat profile{3.0, 2.5};
  const Stamp stamp = stamp_of(profile, 60, 0.2, 0.4);
  const double size = analytic::recorded_half_flux_radius(profile);
  const ProfileStar star{stamp, {60.2, 60.4}, 50.0, size, 1e-7};
  const auto stacked = stacked_profile(std::span(&star, 1), 0, 1);
  ASSERT_TRUE(stacked.has_value());
  // Moffat 1969: fraction inside r is 1 - (1 + r^2/alpha^2)^(1 - beta).
  for (const double x : {1.0, 3.0, 6.0, 12.0}) {
    const double r = x * size / 3.0;
    EXPECT_NEAR(stacked->fraction(x), 1 - std::pow(1 + r * r, -1.5), 0.01) << x;
  }
}

// The stamp ends where 4 % of the light is still to come.
TEST(GrowthProfile, LightBeyondTheStampCounts) {
  const analytic::Moffat profile{3.0, 2.5};
  const Stamp stamp = stamp_of(profile, 12, 0.2, 0.4);
  const double size = analytic::recorded_half_flux_radius(profile);
  const ProfileStar star{stamp, {12.2, 12.4}, 8.0, size, 1e-7};
  const auto stacked = stacked_profile(std::span(&star, 1), 0, 1);
  ASSERT_TRUE(stacked.has_value());
  // Without it 0.98 of the light would lie inside three half-flux radii; Moffat 1969, as above.
  const double r = 3.0 * size / 3.0;
  EXPECT_NEAR(stacked->fraction(3.0), 1 - std::pow(1 + r * r, -1.5), 0.012);
}

}  // namespace
}  // namespace starwaist::stars
