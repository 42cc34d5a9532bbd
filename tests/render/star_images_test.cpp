// Placing star images on pixels.
#include "render/star_images.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <vector>

#include "starwaist/render.h"
#include "support/analytic_profiles.h"

namespace starwaist::render {
namespace {

constexpr int kWidth = 160;
constexpr int kHeight = 140;

struct Moments {
  double flux = 0;
  double x_px = 0;
  double y_px = 0;
};

// Inside 30 px of the image's middle, so that slow wings do not tip the centroid.
Moments moments_of(const std::vector<double>& image, double x_px, double y_px) {
  Moments m;
  double near = 0;
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const double v = image[static_cast<std::size_t>(y) * kWidth + static_cast<std::size_t>(x)];
      m.flux += v;
      if (std::abs(x - std::round(x_px)) <= 30 && std::abs(y - std::round(y_px)) <= 30) {
        near += v;
        m.x_px += v * x;
        m.y_px += v * y;
      }
    }
  }
  m.x_px /= near;
  m.y_px /= near;
  return m;
}

TEST(StarImages, KeepFluxAndPlaceAtAnySubPixelOffset) {
  RenderOptions options;
  for (const double defocus_um : {0.0, 150.0}) {
    const auto images = StarImages::make(options, defocus_um, defocus_um, 2.5, 0);
    ASSERT_TRUE(images.has_value());
    for (int k = 0; k < 12; ++k) {
      const double x = 80 + 0.37 * k - std::floor(0.37 * k);
      const double y = 70 + 0.71 * k - std::floor(0.71 * k);
      std::vector<double> image(std::size_t{kWidth} * kHeight);
      images->add_star(image, kWidth, kHeight, x, y, defocus_um, 1e5, 0);
      const Moments m = moments_of(image, x, y);
      // 5e-4: wings that leave the square of some 130 px.
      EXPECT_NEAR(m.flux / 1e5, 1.0, 2e-3);
      EXPECT_NEAR(m.x_px, x, 0.01);
      EXPECT_NEAR(m.y_px, y, 0.01);
    }
  }
}

TEST(StarImages, EqualTheProfileIntegratedOverPixels) {
  // Gaussian seeing alone (diffraction 1/150 of it) against products of error functions.
  RenderOptions options;
  options.f_number = 1;
  options.obstruction = 0;
  options.wavelengths_um = {0.2};
  options.focal_length_mm = 2000;
  options.pixel_um = 10;
  options.seeing_profile = SeeingProfile::gaussian;
  const double width_px = 3;
  const auto images =
      StarImages::make(options, 0, 0, width_px * options.pixel_um / 2e6 * 206264.806, 0);
  ASSERT_TRUE(images.has_value());
  std::vector<double> image(std::size_t{kWidth} * kHeight);
  images->add_star(image, kWidth, kHeight, 80.3, 69.6, 0, 1.0, 0);
  const analytic::Gaussian profile{width_px / 2.35482};
  const double peak = analytic::pixel_flux(profile, 0.3, 0.4);
  for (int dy = -4; dy <= 4; ++dy) {
    for (int dx = -4; dx <= 4; ++dx) {
      const double expected = analytic::pixel_flux(profile, dx - 0.3, dy + 0.4);
      const double got =
          image[static_cast<std::size_t>(70 + dy) * kWidth + static_cast<std::size_t>(80 + dx)];
      EXPECT_NEAR(got, expected, 1.2e-2 * peak) << dx << " " << dy;  // diffraction 1/150 wide
    }
  }
}

TEST(StarImages, BetweenTwoImagesMeetTheImageWorkedOutThere) {
  RenderOptions options;
  const auto range = StarImages::make(options, 20, 120, 2.5, 0);
  ASSERT_TRUE(range.has_value());
  for (const double defocus_um : {20.0, 47.3, 81.9, 120.0}) {
    const auto exact = point_spread(options, defocus_um, 2.5);
    ASSERT_TRUE(exact.has_value());
    const double size = starwaist::half_flux_radius_px(*exact);
    EXPECT_NEAR(range->half_flux_radius_px(defocus_um), size, 2e-3 * size);
    std::vector<double> mixed(kWidth * kHeight);
    std::vector<double> direct(kWidth * kHeight);
    range->add_star(mixed, kWidth, kHeight, 80.3, 70.1, defocus_um, 1.0, 0);
    const auto single = StarImages::make(options, defocus_um, defocus_um, 2.5, 0);
    ASSERT_TRUE(single.has_value());
    single->add_star(direct, kWidth, kHeight, 80.3, 70.1, defocus_um, 1.0, 0);
    double peak = 0;
    for (const double v : direct) peak = std::max(peak, v);
    for (std::size_t i = 0; i < direct.size(); ++i) ASSERT_NEAR(mixed[i], direct[i], 0.01 * peak);
  }
}

TEST(StarImages, StarsBeyondTheEdgeAreCutNotWrapped) {
  RenderOptions options;
  const auto images = StarImages::make(options, 0, 0, 2.5, 0);
  ASSERT_TRUE(images.has_value());
  std::vector<double> image(kWidth * kHeight);
  images->add_star(image, kWidth, kHeight, -3.0, 70.0, 0, 1e5, 1.0);
  images->add_star(image, kWidth, kHeight, -1000.0, 70.0, 0, 1e5, 1.0);
  images->add_star(image, kWidth, kHeight, 80.0, 5000.0, 0, 1e5, 1.0);
  EXPECT_GT(image[70 * kWidth], 10.0);
  EXPECT_EQ(image[70 * kWidth + kWidth - 1], 0.0);
  EXPECT_EQ(image[static_cast<std::size_t>(kHeight - 1) * kWidth + 80], 0.0);
}

}  // namespace
}  // namespace starwaist::render
