#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "field/shadow_skewness.h"
#include "field/wave_rings.h"
#include "starwaist/field.h"
#include "starwaist/render.h"

namespace starwaist {
namespace {

// A frame of donuts drawn pixel by pixel: a disc less a smaller one beside its centre, blurred by
// sampling each pixel at places scattered as the seeing scatters light.
struct DonutField {
  double radius_px = 12;
  double hole = 0.35;
  double offset_x = 0;  // over the radius
  double offset_y = 0;
  double blur_px = 1.8;
  double trail_px = 0;       // along x
  double sky_slope_adu = 0;  // per pixel along x
  double noise_adu = 3;
  double light_adu = 4e5;  // of each star
  std::uint64_t seed = 1;
};

Frame drawn(const DonutField& f) {
  constexpr int kWidth = 420;
  constexpr int kHeight = 320;
  std::mt19937_64 random(f.seed);
  std::normal_distribution<double> normal(0, 1);
  std::uniform_real_distribution<double> uniform(-1, 1);
  std::vector<float> pixels(static_cast<std::size_t>(kWidth) * kHeight);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      pixels[static_cast<std::size_t>(y * kWidth + x)] =
          static_cast<float>(500 + f.sky_slope_adu * x + f.noise_adu * normal(random));
    }
  }
  constexpr int kRays = 40000;  // a star; their own scatter is that of as many photons
  for (int row = 0; row < 3; ++row) {
    for (int column = 0; column < 4; ++column) {
      const double cx = 55 + 102 * column + 3 * uniform(random);
      const double cy = 55 + 102 * row + 3 * uniform(random);
      for (int k = 0; k < kRays;) {
        const double u = uniform(random);
        const double v = uniform(random);
        if (std::hypot(u, v) > 1 || std::hypot(u - f.offset_x, v - f.offset_y) < f.hole) continue;
        const double x =
            cx + f.radius_px * u + f.blur_px * normal(random) + 0.5 * f.trail_px * uniform(random);
        const double y = cy + f.radius_px * v + f.blur_px * normal(random);
        const auto px = static_cast<int>(std::lround(x));
        const auto py = static_cast<int>(std::lround(y));
        if (px >= 0 && py >= 0 && px < kWidth && py < kHeight) {
          pixels[static_cast<std::size_t>(py * kWidth + px)] +=
              static_cast<float>(f.light_adu / kRays);
        }
        ++k;
      }
    }
  }
  Frame frame;
  frame.file = "donuts";
  frame.pixels = PixelBuffer(kWidth, kHeight, std::move(pixels));
  return frame;
}

std::optional<Collimation> shadow_of(const Frame& frame) {
  const auto measured = measure_frame(frame);
  if (!measured) return std::nullopt;
  return shadow_offset(frame, *measured);
}

// The fit's own limit in these images: pixels, interpolation, two Gaussians for one.
constexpr double kFloor = 0.006;

TEST(ShadowOffset, DisplacedShadowIsFoundWhereItIs) {
  DonutField f;
  f.offset_x = 0.08;
  f.offset_y = -0.05;
  const auto shadow = shadow_of(drawn(f));
  ASSERT_TRUE(shadow.has_value());
  EXPECT_NEAR(shadow->shadow_offset, std::hypot(0.08, 0.05), 3 * shadow->sigma + kFloor);
  EXPECT_NEAR(shadow->angle_deg, std::atan2(-0.05, 0.08) * 180 / std::numbers::pi, 6);
  EXPECT_NEAR(shadow->outer_radius_px, 12, 1.2);  // from the size, with the blur in it
}

TEST(ShadowOffset, GradientOfTheSkyAndTrailsAreNoOffset) {
  DonutField f;
  f.trail_px = 4;
  f.sky_slope_adu = 0.05;
  const auto shadow = shadow_of(drawn(f));
  ASSERT_TRUE(shadow.has_value());
  EXPECT_LT(shadow->shadow_offset, 3.5 * shadow->sigma + kFloor);
}

TEST(ShadowOffset, FrameWithoutDonutsHasNone) {
  DonutField disc;
  disc.hole = 0;
  EXPECT_FALSE(shadow_of(drawn(disc)).has_value());
  DonutField focused;
  focused.radius_px = 2;
  EXPECT_FALSE(shadow_of(drawn(focused)).has_value());
}

// Ray sum over each rim of the pupil: 4 N W131 (1 - e^2) between the centres, the donut's radius is
// dz / (2 N).
TEST(ShadowOffset, ComaOfTheRendererMovesItByTheClosedForm) {
  RenderOptions o;
  o.width_px = 600;
  o.height_px = 450;
  o.star_count = 40;
  o.faintest_electrons = 4e4;
  o.obstruction = 0.35;
  o.f_number = 5;
  o.seeing_arcsec = 2;
  o.hot_pixels = 5;
  o.positions_steps = {5150};  // 300 um beyond best focus
  o.aberrations.coma_w131_waves = 0.5;
  o.aberrations.coma_angle_deg = 30;
  const auto frame = render_frame(o, 0);
  ASSERT_TRUE(frame.has_value());
  const auto measured = measure_frame(*frame);
  ASSERT_TRUE(measured.has_value());
  Rig rig;
  rig.f_number = 5;
  rig.pixel_um = 3.76;
  rig.um_per_step = 2;
  rig.obstruction = 0.35;
  const auto shadow = shadow_offset(*frame, *measured, rig, 150);
  ASSERT_TRUE(shadow.has_value());
  const double expected = 4 * 5 * 0.5 * 0.55 * (1 - 0.35 * 0.35) / (300.0 / (2 * 5));  // 0.161
  // Beyond the first order in W131 the two rims are no circles: a tenth.
  EXPECT_NEAR(shadow->shadow_offset, expected, 3 * shadow->sigma + 0.1 * expected);
  EXPECT_NEAR(std::remainder(shadow->angle_deg - (30 + 180), 360.0), 0, 6);
}

TEST(FindCollimation, TakesTheFarthestFrameBeyondBestFocusThatShowsDonuts) {
  RenderOptions o;
  o.width_px = 500;
  o.height_px = 400;
  o.star_count = 25;
  o.faintest_electrons = 4e4;
  o.obstruction = 0.35;
  o.positions_steps = {4850, 5000, 5100, 5150};
  std::vector<Frame> frames;
  std::vector<FrameMeasurement> measured;
  for (int i = 0; i < 4; ++i) {
    frames.push_back(*render_frame(o, i));
    measured.push_back(*measure_frame(frames.back()));
    measured.back().position_steps = o.positions_steps[static_cast<std::size_t>(i)];
  }
  const auto read = [&](std::size_t i) { return std::optional<Frame>(frames[i]); };
  const auto beyond = find_collimation(measured, 5000, Rig{}, read);
  ASSERT_TRUE(beyond.has_value());
  EXPECT_EQ(beyond->position_steps, 5150);
  // Centred optics: nothing beyond the noise.
  EXPECT_LT(beyond->shadow_offset, 3.5 * beyond->sigma + kFloor);
  const std::vector<FrameMeasurement> smaller(measured.begin(), measured.begin() + 2);
  const auto before = find_collimation(smaller, 5000, Rig{}, read);
  ASSERT_TRUE(before.has_value());
  EXPECT_EQ(before->position_steps, 4850);
}

// Sums over a fine grid of pupil places, each light of its own: E[|r|^2 r] about the centroid along
// x, of light that lands at `landing`.
template <class Landing, class Passes>
double summed_skewness(const Landing& landing, const Passes& passes) {
  constexpr int kAcross = 1600;
  double light = 0;
  double centre = 0;
  for (const bool moments : {false, true}) {
    double sum = 0;
    for (int j = 0; j < kAcross; ++j) {
      for (int i = 0; i < kAcross; ++i) {
        const double u = (2 * i + 1.0) / kAcross - 1;
        const double v = (2 * j + 1.0) / kAcross - 1;
        if (!passes(u, v)) continue;
        const auto [x, y] = landing(u, v);
        if (!moments) {
          ++light;
          sum += x;
        } else {
          sum += ((x - centre) * (x - centre) + y * y) * (x - centre);
        }
      }
    }
    if (moments) return sum / light;
    centre = sum / light;
  }
  return 0;
}

TEST(ShadowSkewness, IsTheSumOverTheRays) {
  constexpr double kSmall = 0.01;
  constexpr double kGrid = 0.03;  // relative: the hole's rim on the grid, and the second order
  for (const double e : {0.25, 0.35, 0.5}) {
    // Coma moves light by c (3 u^2 + v^2, 2 u v); its rims' centres lie 2 c (1 - e^2) apart.
    const double c = kSmall / (2 * (1 - e * e));
    const double coma = summed_skewness(
        [c](double u, double v) {
          return std::pair(u + c * (3 * u * u + v * v), v + 2 * c * u * v);
        },
        [e](double u, double v) {
          const double r = std::hypot(u, v);
          return r < 1 && r > e;
        });
    const double displaced = summed_skewness(
        [](double u, double v) { return std::pair(u, v); },
        [e](double u, double v) { return std::hypot(u, v) < 1 && std::hypot(u - kSmall, v) > e; });
    EXPECT_NEAR(coma / kSmall / skewness_per_offset(e), 1, kGrid) << e;
    // The shadow lies opposite to the coma, and along its displacement.
    EXPECT_NEAR(displaced / kSmall / skewness_per_offset(e) / displaced_over_coma(e), 1, kGrid)
        << e;
  }
}

struct RingCase {
  rings::Optics optics;
  double beyond_um;
  double before_um;
};

// What find_collimation makes of two frames of these rings. `believed_um`: where best focus is
// thought to be.
std::optional<Collimation> collimation_of(const RingCase& c, double believed_um = 0) {
  std::vector<Frame> frames;
  std::vector<FrameMeasurement> measured;
  std::uint64_t seed = 5;
  for (const double z : {c.before_um, 0.0, c.beyond_um}) {
    frames.push_back(rings::frame_of(c.optics, {.defocus_um = z, .seed = ++seed}));
    measured.push_back(*measure_frame(frames.back()));
    measured.back().position_steps = z;
  }
  Rig rig;
  rig.f_number = c.optics.f_number;
  rig.pixel_um = c.optics.pixel_um;
  rig.um_per_step = 1;
  rig.obstruction = c.optics.obstruction;
  return find_collimation(measured, believed_um, rig,
                          [&](std::size_t i) { return std::optional<Frame>(frames[i]); });
}

void expect_offset(const Collimation& seen, const std::pair<double, double>& truth,
                   const std::string& what) {
  constexpr double kOffset = 0.02;  // of the radius
  constexpr double kDegrees = 10;   // of its direction, where there is one
  constexpr double kHasAngle = 0.06;
  const double turn = seen.angle_deg * std::numbers::pi / 180;
  EXPECT_LT(std::hypot(seen.shadow_offset * std::cos(turn) - truth.first,
                       seen.shadow_offset * std::sin(turn) - truth.second),
            kOffset)
      << what;
  if (std::hypot(truth.first, truth.second) < kHasAngle) return;
  const double angle = std::atan2(truth.second, truth.first) * 180 / std::numbers::pi;
  EXPECT_LT(std::abs(std::remainder(seen.angle_deg - angle, 360)), kDegrees) << what;
}

TEST(FindCollimation, SeparatesComaFromADisplacedShadowByBothSidesOfFocus) {
  const auto optics = [](double e, double dx, double dy, double cx, double cy) {
    rings::Optics o;
    o.obstruction = e;
    o.shadow_x = dx;
    o.shadow_y = dy;
    o.coma_x_waves = cx;
    o.coma_y_waves = cy;
    return o;
  };
  std::vector<RingCase> cases = {
      {optics(0.35, 0, 0, 0, 0), 300, -300},           {optics(0.35, 0.1, 0, 0, 0), 300, -300},
      {optics(0.35, 0, 0, 0.4, 0), 300, -300},         {optics(0.35, 0.1, 0, 0.4, 0), 300, -300},
      {optics(0.35, 0.1, 0, -0.4, 0), 300, -300},      {optics(0.35, 0, 0.12, 0.3, 0), 300, -300},
      {optics(0.35, 0.1, 0.05, 0.3, -0.2), 300, -220}, {optics(0.25, 0.15, 0, 0.2, 0.2), 300, -300},
      {optics(0.45, 0.15, 0, 0.2, 0.2), 300, -300},    {optics(0.35, 0.2, 0, 0, 0), 260, -340}};
  cases.push_back({optics(0.35, 0.15, 0, 0.2, 0.2), 600, -600});
  cases.back().optics.f_number = 8;
  cases.back().optics.seeing_sigma_px = 1.5;
  cases.push_back({optics(0.35, 0.1, 0, 0.3, 0.2), 150, -150});
  cases.back().optics.f_number = 3.5;
  for (std::size_t i = 0; i < cases.size(); ++i) {
    const auto seen = collimation_of(cases[i]);
    const std::string what = "case " + std::to_string(i);
    ASSERT_TRUE(seen.has_value()) << what;
    EXPECT_TRUE(seen->both_sides) << what;
    expect_offset(*seen, rings::offset_of(cases[i].optics, cases[i].beyond_um), what);
  }
}

TEST(FindCollimation, WrongBestFocusChangesNoRadius) {
  RingCase c{{}, 300, -300};
  c.optics.coma_x_waves = 0.4;
  c.optics.shadow_y = 0.1;
  const auto seen = collimation_of(c, 90);
  ASSERT_TRUE(seen.has_value());
  EXPECT_NEAR(seen->outer_radius_px, 300 / 10 / 3.76, 0.04 * 8);
  expect_offset(*seen, rings::offset_of(c.optics, 300), "");
}

TEST(FindCollimation, OneSideAloneSaysSoAndItsSigmaHoldsWhatMayHide) {
  RingCase c{{}, 300, -40};
  c.optics.shadow_x = 0.08;
  c.optics.coma_y_waves = 0.3;
  const auto seen = collimation_of(c);
  ASSERT_TRUE(seen.has_value());
  EXPECT_FALSE(seen->both_sides);
  EXPECT_FALSE(seen->displaced_offset.has_value());
  const auto truth = rings::offset_of(c.optics, 300);
  const double turn = seen->angle_deg * std::numbers::pi / 180;
  EXPECT_LT(std::hypot(seen->shadow_offset * std::cos(turn) - truth.first,
                       seen->shadow_offset * std::sin(turn) - truth.second),
            3 * seen->sigma);
  EXPECT_LT(seen->sigma, 0.1);
}

}  // namespace
}  // namespace starwaist
