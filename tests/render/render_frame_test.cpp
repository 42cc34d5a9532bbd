// Frames in memory: noise, sky, defects, field, and the same bytes from the same seed.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>
#include <vector>

#include "render/scenario_runs.h"
#include "starwaist/render.h"

namespace starwaist {
namespace {

using scenario::frame_of;
using scenario::pixels_of;

RenderOptions small_run() {
  RenderOptions options;
  options.width_px = 320;
  options.height_px = 240;
  options.star_count = 30;
  options.positions_steps = evenly_spaced_positions(5000, 20, 5);
  options.wavelengths_um = {0.55};  // quick; their sum is checked on the star images
  return options;
}

TEST(RenderFrame, SkyHasPhotonAndReadNoiseOfTheGain) {
  RenderOptions options = small_run();
  options.star_count = 0;
  options.hot_pixels = 0;
  options.sky_gradient = 0;
  options.sky_electrons = 1000;
  options.gain_e_per_adu = 2;
  options.read_noise_e = 8;
  options.bias_adu = 400;
  const Frame frame = frame_of(options, 0);
  double sum = 0;
  double squares = 0;
  for (const double v : pixels_of(frame)) sum += v;
  const auto count = static_cast<double>(pixels_of(frame).size());
  const double mean = sum / count;
  for (const double v : pixels_of(frame)) squares += (v - mean) * (v - mean);
  const double variance = squares / (count - 1);
  // Variance in ADU^2: (sky + read^2) / gain^2, and 1/12 of rounding. Four standard errors.
  const double expected = (1000 + 64) / 4.0 + 1.0 / 12;
  EXPECT_NEAR(mean, 400 + 500, 4 * std::sqrt(expected / count));
  EXPECT_NEAR(variance, expected, 4 * expected * std::sqrt(2 / count));
}

TEST(RenderFrame, SkyRisesFromCornerToCornerAsAsked) {
  RenderOptions options = small_run();
  options.star_count = 0;
  options.hot_pixels = 0;
  options.sky_electrons = 10000;
  options.sky_gradient = 0.4;
  options.bias_adu = 0;
  options.sky_factor = {1, 1, 1, 1, 2};
  const auto corner_mean = [](const Frame& frame, int x0, int y0) {
    double sum = 0;
    for (int y = 0; y < 20; ++y) {
      for (int x = 0; x < 20; ++x) sum += frame.pixels.at(x0 + x, y0 + y);
    }
    return sum / 400;
  };
  const Frame frame = frame_of(options, 0);
  // The patch's own middle is 10 px in; its noise is 5 electrons.
  EXPECT_NEAR(corner_mean(frame, 0, 0), 10000 * (0.8 + 0.2 * (9.5 / 319 + 9.5 / 239)), 25);
  EXPECT_NEAR(corner_mean(frame, 300, 220), 10000 * (1.2 - 0.2 * (9.5 / 319 + 9.5 / 239)), 25);
  EXPECT_NEAR(corner_mean(frame_of(options, 4), 0, 0) / corner_mean(frame, 0, 0), 2, 0.01);
}

TEST(RenderFrame, SameSeedGivesTheSameBytesInAnyOrder) {
  const RenderOptions options = small_run();
  const Frame later = frame_of(options, 3);
  const Frame first = frame_of(options, 0);
  EXPECT_EQ(pixels_of(later), pixels_of(frame_of(options, 3)));
  EXPECT_EQ(pixels_of(first), pixels_of(frame_of(options, 0)));
  EXPECT_NE(pixels_of(first), pixels_of(later));
  RenderOptions other = options;
  other.seed = 2;
  EXPECT_NE(pixels_of(first), pixels_of(frame_of(other, 0)));
}

TEST(RenderFrame, HotPixelsStayWhereTheyAreWhileStarsMove) {
  RenderOptions options = small_run();
  options.star_count = 0;
  options.hot_pixels = 12;
  std::vector<std::size_t> hot[2];
  for (const int index : {0, 4}) {
    const Frame frame = frame_of(options, index);
    for (std::size_t i = 0; i < pixels_of(frame).size(); ++i) {
      if (pixels_of(frame)[i] > 500 + 300 + 12 * 18) hot[index == 0 ? 0 : 1].push_back(i);
    }
  }
  EXPECT_EQ(hot[0], hot[1]);
  EXPECT_GE(hot[0].size(), 11U);  // two may share a pixel
  EXPECT_LE(hot[0].size(), 12U);
}

// Light above the sky around a star, to 12 px (ADU).
double flux_at(const Frame& frame, double x_px, double y_px, double sky_adu) {
  double sum = 0;
  for (int y = static_cast<int>(y_px) - 12; y <= static_cast<int>(y_px) + 12; ++y) {
    for (int x = static_cast<int>(x_px) - 12; x <= static_cast<int>(x_px) + 12; ++x) {
      sum += frame.pixels.at(x, y) - sky_adu;
    }
  }
  return sum;
}

TEST(RenderFrame, TruthNamesWhereTheStarsAreAndHowBright) {
  RenderOptions options = small_run();
  options.star_count = 1;
  options.faintest_electrons = options.brightest_electrons = 2e5;
  options.hot_pixels = 0;
  options.sky_gradient = 0;
  options.saturation_adu = 65535;
  // A seed whose one star is well inside the frame.
  RenderOptions single = options;
  single.positions_steps = {5000};
  for (options.seed = 1;; ++options.seed) {
    single.seed = options.seed;
    const auto made = render_truth(single);
    ASSERT_TRUE(made.has_value());
    const RenderedStar& star = made->stars[0];
    if (star.x_px > 60 && star.x_px < 260 && star.y_px > 60 && star.y_px < 180) break;
  }
  options.transmission = {1, 1, 0.5, 1, 1};
  const auto rendered = render_truth(options);
  ASSERT_TRUE(rendered.has_value());
  const RenderTruth& truth = *rendered;
  for (const int index : {0, 2}) {
    const Frame frame = frame_of(options, index);
    const auto& made = truth.frames[static_cast<std::size_t>(index)];
    const double x = truth.stars[0].x_px + made.shift_x_px;
    const double y = truth.stars[0].y_px + made.shift_y_px;
    const double flux = flux_at(frame, x, y, 800);
    // 2 %: wings beyond 12 px; noise of 625 sky pixels is 430 electrons.
    EXPECT_NEAR(flux, truth.stars[0].electrons * made.transmission, 0.02 * 2e5);
    double moment_x = 0;
    double moment_y = 0;
    for (int j = static_cast<int>(y) - 12; j <= static_cast<int>(y) + 12; ++j) {
      for (int i = static_cast<int>(x) - 12; i <= static_cast<int>(x) + 12; ++i) {
        moment_x += (frame.pixels.at(i, j) - 800) * (i - x);
        moment_y += (frame.pixels.at(i, j) - 800) * (j - y);
      }
    }
    EXPECT_NEAR(moment_x / flux, 0, 0.08);  // noise of 625 pixels times up to 12 px: 0.03 to 0.05
    EXPECT_NEAR(moment_y / flux, 0, 0.08);
  }
}

TEST(RenderFrame, BrightStarsClipAtTheSaturationLevel) {
  RenderOptions options = small_run();
  options.brightest_electrons = options.faintest_electrons = 3e6;
  options.saturation_adu = 40000;
  const Frame frame = frame_of(options, 2);
  const auto& pixels = pixels_of(frame);
  EXPECT_EQ(*std::max_element(pixels.begin(), pixels.end()), 40000);
  EXPECT_GT(std::count(pixels.begin(), pixels.end(), 40000), 20);
}

TEST(RenderFrame, OptionsOutOfRangeAreNamed) {
  const auto message = [](const RenderOptions& options, int index = 0) {
    const auto frame = render_frame(options, index);
    EXPECT_FALSE(frame.has_value());
    if (frame) return std::string();
    EXPECT_EQ(frame.error().code, ErrorCode::invalid_argument);
    EXPECT_FALSE(frame.error().remedy.empty());
    return frame.error().message;
  };
  RenderOptions bad = small_run();
  bad.obstruction = 1.2;
  EXPECT_NE(message(bad).find("obstruction"), std::string::npos);
  bad = small_run();
  bad.seeing_arcsec = std::numeric_limits<double>::quiet_NaN();
  EXPECT_NE(message(bad).find("seeing_arcsec"), std::string::npos);
  bad = small_run();
  bad.transmission = {1, 1};
  EXPECT_NE(message(bad).find("transmission"), std::string::npos);
  bad = small_run();
  bad.start_utc = "2027-02-30T20:11:05";
  EXPECT_NE(message(bad).find("start_utc"), std::string::npos);
  bad = small_run();
  bad.positions_steps.clear();
  EXPECT_NE(message(bad).find("positions_steps"), std::string::npos);
  bad = small_run();
  bad.wavelengths_um.clear();
  EXPECT_NE(message(bad).find("wavelengths_um"), std::string::npos);
  bad = small_run();
  bad.positions_steps[0] = 1e8;
  EXPECT_NE(message(bad).find("too large"), std::string::npos);
  EXPECT_NE(message(small_run(), 5).find("frame 5"), std::string::npos);
  EXPECT_NE(message(small_run(), -1).find("frame -1"), std::string::npos);
}

TEST(RenderTruth, BestFocusOfARoundTelescopeIsTheParaxialOne) {
  const auto truth = render_truth(small_run());
  ASSERT_TRUE(truth.has_value());
  EXPECT_DOUBLE_EQ(truth->best_focus_steps, 5000);
  EXPECT_NEAR(truth->critical_focus_zone_steps, 4 * 0.55 * 25 / 2.0, 1e-9);
  for (const RenderedFrame& frame : truth->frames) {
    EXPECT_GE(frame.hfr_px, 0.95 * truth->best_hfr_px);
  }
  EXPECT_GT(truth->frames.front().hfr_px, 1.05 * truth->best_hfr_px);
}

TEST(RenderTruth, AstigmatismMovesBestFocusToTheCircleOfLeastConfusion) {
  // W222 rho^2 cos^2 = W222/2 rho^2 + W222/2 rho^2 cos 2theta: a defocus of half the coefficient
  // and a part without preferred side, so that best focus is where W020 = -W222/2.
  RenderOptions options = small_run();
  options.aberrations.astigmatism_w222_waves = 1.2;
  options.aberrations.astigmatism_angle_deg = 25;
  const auto truth = render_truth(options);
  ASSERT_TRUE(truth.has_value());
  const double expected_um = -0.6 * 0.55 * 8 * 25;
  EXPECT_NEAR(truth->best_focus_steps, 5000 + expected_um / 2, 0.05);  // zone is 27.5 steps
}

TEST(RenderTruth, SphericalAberrationMovesBestFocusTowardsTheBalance) {
  // W040 is best balanced near W020 = -W040 (1 + e^2) (least wave variance; Mahajan, from memory);
  // the half-flux radius has its own optimum, between paraxial focus and twice the balance.
  RenderOptions options = small_run();
  options.aberrations.spherical_w040_waves = 1;
  const auto truth = render_truth(options);
  ASSERT_TRUE(truth.has_value());
  const double balance_steps = -1.0 * (1 + 0.09) * 0.55 * 8 * 25 / 2;
  EXPECT_LT(truth->best_focus_steps - 5000, 0.6 * balance_steps);
  EXPECT_GT(truth->best_focus_steps - 5000, 1.6 * balance_steps);
  const auto size_at = [&](double position) {
    const auto spread = point_spread(options, (position - 5000) * 2, options.seeing_arcsec);
    return spread ? half_flux_radius_px(*spread) : 0.0;
  };
  EXPECT_NEAR(size_at(truth->best_focus_steps), truth->best_hfr_px, 1e-4);
  EXPECT_GT(size_at(truth->best_focus_steps - 3), truth->best_hfr_px);
  EXPECT_GT(size_at(truth->best_focus_steps + 3), truth->best_hfr_px);
}

TEST(RenderTruth, TiltAndCurvatureMoveTheMedianOfTheField) {
  RenderOptions options = small_run();
  options.star_count = 200;
  options.curvature_steps = 60;
  options.tilt_x_steps = 20;
  options.seeing_scatter = 0;
  options.dither_px = 0;
  options.wavelengths_um = {0.55};
  options.positions_steps = {5000};
  const auto truth = render_truth(options);
  ASSERT_TRUE(truth.has_value());
  // Stars spread evenly: half of them within r^2 of 0.4 of the corner's, about.
  EXPECT_GT(truth->best_focus_steps, 5010);
  EXPECT_LT(truth->best_focus_steps, 5035);
  // Frames beside the truth have a larger median, by their own star images.
  options.positions_steps = {truth->best_focus_steps - 12, truth->best_focus_steps,
                             truth->best_focus_steps + 12};
  const auto around = render_truth(options);
  ASSERT_TRUE(around.has_value());
  EXPECT_GT(around->frames[0].hfr_px, around->frames[1].hfr_px);
  EXPECT_GT(around->frames[2].hfr_px, around->frames[1].hfr_px);
  EXPECT_NEAR(around->frames[1].hfr_px, truth->best_hfr_px, 3e-3 * truth->best_hfr_px);
}

}  // namespace
}  // namespace starwaist
