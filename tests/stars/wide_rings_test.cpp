// Rings too wide to be found as stars, and what looks like stars and is none, in frames that are
// drawn here point by point.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <string>
#include <vector>

#include "starwaist/stars.h"
#include "support/analytic_stars.h"

namespace starwaist {
namespace {

class Drawing {
 public:
  Drawing(int width, int height, std::uint64_t seed)
      : width_(width), height_(height), random_(seed) {
    std::normal_distribution<double> sky(1000, 15);
    for (int i = 0; i < width * height; ++i) values_.push_back(sky(random_));
  }

  // An annulus of even light.
  void add_ring(double x, double y, double radius, double hole, double light) {
    const double area = std::numbers::pi * radius * radius * (1 - hole * hole);
    for_each_pixel([&](int px, int py, double& value) {
      const double r = std::hypot(px - x, py - y);
      if (r <= radius && r >= hole * radius) value += light / area;
    });
  }
  void add_gradient(double change) {
    for_each_pixel([&](int px, int py, double& value) {
      value += change * (1.0 * px / width_ + 0.5 * std::pow(1.0 * py / height_, 2));
    });
  }
  void add_blob(double x, double y, double sigma, double height) {
    for_each_pixel([&](int px, int py, double& value) {
      value +=
          height *
          std::exp(-0.5 * (std::pow((px - x) / sigma, 2) + std::pow((py - y) / (0.5 * sigma), 2)));
    });
  }
  // A line one pixel wide.
  void add_streak(double length, double adu) {
    std::uniform_real_distribution<double> at(0, 1);
    const double x = at(random_) * width_;
    const double y = at(random_) * height_;
    const double angle = at(random_) * std::numbers::pi;
    for (double s = 0; s < length; s += 0.5) {
      const int px = static_cast<int>(x + s * std::cos(angle));
      const int py = static_cast<int>(y + s * std::sin(angle));
      if (px < 0 || py < 0 || px >= width_ || py >= height_) continue;
      values_[static_cast<std::size_t>(py * width_ + px)] += 0.6 * adu;
    }
  }
  void add_star(double x, double y, double sigma, double light) {
    for_each_pixel([&](int px, int py, double& value) {
      const double r2 = std::pow(px - x, 2) + std::pow(py - y, 2);
      value += light / (2 * std::numbers::pi * sigma * sigma) * std::exp(-0.5 * r2 / sigma / sigma);
    });
  }

  [[nodiscard]] FrameMeasurement measured() const {
    std::vector<std::uint16_t> stored;
    for (const double value : values_) {
      stored.push_back(static_cast<std::uint16_t>(std::lround(std::min(value, 65000.0))));
    }
    Frame frame;
    frame.file = "drawn.fits";
    frame.pixels = PixelBuffer(width_, height_, std::move(stored));
    const auto measured = measure_frame(frame);
    EXPECT_TRUE(measured);
    return measured.value_or(FrameMeasurement{});
  }

 private:
  template <class Visit>
  void for_each_pixel(Visit&& visit) {
    for (int y = 0; y < height_; ++y) {
      for (int x = 0; x < width_; ++x) {
        visit(x, y, values_[static_cast<std::size_t>(y * width_ + x)]);
      }
    }
  }
  int width_;
  int height_;
  std::mt19937_64 random_;
  std::vector<double> values_;
};

constexpr double kRadiusError = 0.08;  // relative: the grid of radii is 10 % wide

TEST(WideRings, RadiusOfRingsOneHundredAndThirtySevenPixelsWide) {
  for (const double hole : {0.0, 0.35, 0.5}) {
    for (const double radius : {68.5, 95.0, 120.0}) {
      Drawing drawing(800, 600, 5);
      drawing.add_gradient(60);
      const double light = 1.2e3 * radius;
      drawing.add_ring(200, 180, radius, hole, 3 * light);
      drawing.add_ring(560, 410, radius, hole, 2 * light);
      drawing.add_ring(330, 330, radius, hole, light);
      const FrameMeasurement frame = drawing.measured();
      // Up to 60 px of half-flux radius three rings are measured as stars.
      const double half_flux = std::sqrt((1 + hole * hole) / 2);
      ASSERT_TRUE(frame.ring_radius_px || frame.hfr_px) << radius << " " << hole;
      const double found = frame.ring_radius_px ? *frame.ring_radius_px : *frame.hfr_px / half_flux;
      EXPECT_NEAR(found / radius, 1, kRadiusError) << radius << " " << hole;
    }
  }
}

// Pieces of rings that are clipped must not read as a frame of clipped stars.
TEST(WideRings, ClippedOnesAreNoClippedStars) {
  Drawing drawing(800, 600, 5);
  for (int k = 0; k < 2; ++k) drawing.add_ring(200 + 350 * k, 180 + 200 * k, 120, 0.4, 3e9);
  const FrameMeasurement frame = drawing.measured();
  ASSERT_TRUE(frame.ring_radius_px);
  EXPECT_FALSE(frame.hfr_px);
  EXPECT_EQ(frame.saturated_count, 0);
  for (const Statement& remark : frame.remarks) EXPECT_EQ(remark.code, "rings_too_wide");
}

// The other way about: a field of sharp stars, every one of them clipped.
TEST(WideRings, NoneInAFieldOfClippedStars) {
  const auto profile = analytic::Moffat::of_fwhm(5, 3.5);
  for (const int stars : {6, 15, 40}) {
    analytic::FieldOptions options;
    options.width_px = 800;
    options.height_px = 600;
    options.star_count = stars;
    options.faintest_e = 4e5;
    options.brightest_e = 4e6;
    options.min_separation_px = 60;
    options.margin_px = 40;
    options.reach_px = 150;
    options.saturation_adu = 2000;
    const auto measured = measure_frame(analytic::star_field(profile, options).frame);
    ASSERT_TRUE(measured.has_value());
    EXPECT_FALSE(measured->ring_radius_px) << stars;
    EXPECT_GE(measured->saturated_count, stars * 3 / 4) << stars;
    EXPECT_FALSE(measured->hfr_px) << stars;
  }
}

TEST(WideRings, NoneInAnEmptySkyWithGradientCloudsAndStreaks) {
  for (std::uint64_t seed = 1; seed <= 12; ++seed) {
    const bool small = seed > 8;
    Drawing drawing(small ? 400 : 640, small ? 300 : 480, seed);
    if (seed % 2 == 0) drawing.add_gradient(300);
    if (seed % 3 == 0) drawing.add_blob(300, 200, 90, 40);
    for (int k = 0; k < 8; ++k) drawing.add_streak(3.0 + 7 * k, 2000);
    const FrameMeasurement frame = drawing.measured();
    EXPECT_FALSE(frame.ring_radius_px) << seed << ": " << *frame.ring_radius_px;
  }
}

TEST(WideRings, AreNotLookedForWhereStarsAreFound) {
  Drawing drawing(640, 480, 3);
  for (int k = 0; k < 8; ++k) drawing.add_star(60 + 70 * k, 100 + 40 * (k % 5), 2, 2e4);
  const FrameMeasurement frame = drawing.measured();
  EXPECT_EQ(frame.star_count, 8);
  EXPECT_FALSE(frame.ring_radius_px);
}

// As cosmic rays leave them; a handful or many.
TEST(MeasureFrame, LinesThatPointAnywhereAreNoStars) {
  for (const int count : {1, 2, 5, 12}) {
    for (std::uint64_t seed = 1; seed <= 8; ++seed) {
      Drawing drawing(640, 480, seed);
      for (int k = 0; k < count; ++k) drawing.add_streak(6.0 + 4 * k, 1500);
      const FrameMeasurement frame = drawing.measured();
      EXPECT_LE(frame.star_count, 1) << count << " streaks, seed " << seed;
      EXPECT_TRUE(!frame.hfr_px || frame.star_count == 1);
    }
  }
}

TEST(MeasureFrame, StarsAmongStreaksKeepTheirSize) {
  Drawing drawing(640, 480, 4);
  for (int k = 0; k < 12; ++k) drawing.add_star(40 + 47 * k, 60 + 33 * (k % 11), 2, 3e4);
  for (int k = 0; k < 6; ++k) drawing.add_streak(20, 1500);
  const FrameMeasurement frame = drawing.measured();
  ASSERT_TRUE(frame.hfr_px);
  // A Gaussian's half-flux radius, 1.1774 sigma, with the pixel it was drawn without.
  EXPECT_NEAR(*frame.hfr_px, 1.1774 * 2, 0.08);
}

TEST(ShowsStars, OneObjectNeedsAnotherFrame) {
  Drawing drawing(640, 480, 6);
  drawing.add_star(200, 200, 2, 3e4);
  Drawing again(640, 480, 7);
  again.add_star(204, 197, 2, 3e4);
  Drawing elsewhere(640, 480, 8);
  elsewhere.add_star(400, 100, 2, 3e4);
  const std::vector<FrameMeasurement> frames = {drawing.measured(), again.measured(),
                                                elsewhere.measured()};
  ASSERT_EQ(frames[0].star_count, 1);
  EXPECT_TRUE(shows_stars(frames[0], FrameGroup(frames)));
  EXPECT_FALSE(shows_stars(frames[2], FrameGroup(frames)));
  FrameGroup alone;
  alone.add(frames[0]);
  EXPECT_FALSE(shows_stars(frames[0], alone));
}

}  // namespace
}  // namespace starwaist
