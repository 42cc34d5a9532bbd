// What the pixels say of the camera, against frames whose gain and ceiling are known.
#include "stars/camera.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "stars/run_camera.h"
#include "starwaist/stars.h"
#include "support/analytic_stars.h"

namespace starwaist::stars {
namespace {

using analytic::Gaussian;
using analytic::Image;

constexpr double kReadNoiseE = 3;
constexpr double kOffsetAdu = 500;

struct Scene {
  int side_px = 1024;
  double gain_e_per_adu = 1;
  double sky_e = 300;
  double gradient = 0.3;  // of the sky, from side to side
  double hfr_px = 2.4;
  double brightest_e = 3e5;
  double ceiling_adu = 65535;
  std::uint64_t seed = 1;
};

// A hundred stars on a grid, the faintest a hundredth as bright as the brightest; no header facts.
Frame frame_of(const Scene& scene) {
  Image image(scene.side_px, scene.side_px);
  for (int y = 0; y < scene.side_px; ++y) {
    for (int x = 0; x < scene.side_px; ++x) {
      image.at(x, y) = static_cast<float>(
          scene.sky_e * (1 + scene.gradient * (static_cast<double>(x) / scene.side_px - 0.5)));
    }
  }
  const Gaussian profile{scene.hfr_px / 1.1774};
  for (int i = 0; i < 100; ++i) {
    const double cell = scene.side_px / 10.0;
    draw(image, profile, cell * (i % 10 + 0.5) + 0.01 * i, cell * (i / 10 + 0.5) - 0.013 * i,
         scene.brightest_e * std::pow(0.01, i / 99.0), 16);
  }
  // Hundreds of electrons a pixel: Poisson's law is near enough to normal, which is quicker.
  std::mt19937_64 engine(scene.seed);
  std::normal_distribution<float> normal;
  for (float& v : image.values) {
    const float variance = v + static_cast<float>(kReadNoiseE * kReadNoiseE);
    v = static_cast<float>((v + std::sqrt(variance) * normal(engine)) / scene.gain_e_per_adu +
                           kOffsetAdu);
  }
  Frame frame = analytic::frame_of(image, scene.gain_e_per_adu, kReadNoiseE, scene.ceiling_adu);
  frame.file = std::to_string(scene.seed) + ".fits";
  frame.facts = {};
  return frame;
}

MeasuredFrame measured(const Frame& frame, const MeasureOptions& options = {}) {
  MeasuredFrame result;
  result.measurement = *measure_frame(frame, options, &result.model);
  return result;
}

// The variance of photons in ADU is level over gain, whatever the offset (Janesick 2001, from
// memory), and so the frames are made.
TEST(GainFromSky, FindsTheGainOfAnUnevenSky) {
  for (const double gain : {0.4, 1.0, 3.0}) {
    Scene scene;
    scene.gain_e_per_adu = gain;
    const auto estimate = gain_from_sky(measured(frame_of(scene)).model->camera().sky);
    ASSERT_TRUE(estimate) << gain;
    EXPECT_NEAR(estimate->e_per_adu / gain, 1, 3 * estimate->relative_sigma) << gain;
    EXPECT_LT(estimate->relative_sigma, 0.2);
  }
}

TEST(GainFromSky, IsAbsentWhereTheSkyIsEven) {
  Scene scene;
  scene.gradient = 0.01;
  EXPECT_FALSE(gain_from_sky(measured(frame_of(scene)).model->camera().sky));
  EXPECT_FALSE(gain_from_sky({}));
}

// A flat field divided out leaves an even level over an uneven noise; unresolved stars raise the
// noise far more than the level.
TEST(GainFromSky, IsAbsentWhereTheNoiseFollowsSomethingElse) {
  std::mt19937_64 random(3);
  std::uniform_real_distribution<double> uniform(0.7, 1.3);
  std::vector<SkySample> flat;
  std::vector<SkySample> crowded;
  for (int i = 0; i < 400; ++i) {
    const double u = uniform(random);
    flat.push_back({1000 + uniform(random), 300 * u});
    crowded.push_back({1000 + 100 * u, 300 * uniform(random) + 100 * u});
  }
  EXPECT_FALSE(gain_from_sky(flat));
  EXPECT_FALSE(gain_from_sky(crowded));
}

TEST(SettledGain, LeavesAHeaderAsideThatTheNoiseContradicts) {
  Frame frame = frame_of({});
  const auto remarks_with = [&](double egain) {
    frame.facts.gain_e_per_adu = egain;
    const MeasuredFrame m = measured(frame);
    EXPECT_NEAR(*m.model->gain_e_per_adu(), 1, 0.4) << egain;
    return m.measurement.remarks;
  };
  EXPECT_TRUE(remarks_with(1.05).empty());
  for (const double egain : {0.2, 4.0}) {
    const auto remarks = remarks_with(egain);
    ASSERT_EQ(remarks.size(), 1U);
    EXPECT_EQ(remarks[0].code, "gain_disagrees");
  }
  // The option is the user's own word.
  MeasureOptions options;
  options.gain_e_per_adu = 4;
  EXPECT_EQ(*measured(frame, options).model->gain_e_per_adu(), 4);
}

TEST(SettledGain, RefusesWhatEvenAnEvenSkyRulesOut) {
  Scene scene;
  scene.gradient = 0;
  Frame frame = frame_of(scene);
  // Level 800 ADU with its offset, variance 309: no more than 2.6 electrons for one ADU.
  frame.facts.gain_e_per_adu = 5;
  const MeasuredFrame m = measured(frame);
  EXPECT_FALSE(m.model->gain_e_per_adu());
  EXPECT_EQ(m.measurement.remarks.size(), 1U);
  frame.facts.gain_e_per_adu = 1;
  EXPECT_EQ(*measured(frame).model->gain_e_per_adu(), 1);
}

TEST(SaturationLevel, PixelsThatPileUpGoBeforeTheHeader) {
  Scene scene;
  scene.ceiling_adu = 4095;
  Frame frame = frame_of(scene);
  frame.facts.saturation_adu = 65535;
  const MeasuredFrame m = measured(frame);
  EXPECT_NEAR(m.model->saturation_adu(), kNearlyFull * 4095, 1e-9);
  EXPECT_GT(m.measurement.saturated_count, 10);
}

TEST(ShareCamera, GivesEveryFrameWhatTheRunTells) {
  // Even skies of three levels: none gives the gain by itself.
  std::vector<MeasuredFrame> run;
  for (const double sky_e : {200.0, 300.0, 500.0}) {
    Scene scene;
    scene.gradient = 0;
    scene.gain_e_per_adu = 2;
    scene.sky_e = sky_e;
    scene.seed = static_cast<std::uint64_t>(sky_e);
    run.push_back(measured(frame_of(scene)));
    EXPECT_FALSE(run.back().model->gain_e_per_adu());
  }
  const auto shared = [&](const std::vector<std::size_t>& order) {
    std::vector<MeasuredFrame> frames;
    for (const std::size_t i : order) frames.push_back(run[i]);
    share_camera(frames);
    std::vector<MeasuredFrame> result(order.size());
    for (std::size_t k = 0; k < order.size(); ++k) result[order[k]] = frames[k];
    return result;
  };
  const auto with = shared({0, 1, 2});
  const auto other_order = shared({2, 0, 1});
  for (std::size_t i = 0; i < run.size(); ++i) {
    ASSERT_TRUE(with[i].model->gain_e_per_adu());
    EXPECT_NEAR(*with[i].model->gain_e_per_adu(), 2, 0.4);
    EXPECT_EQ(with[i].model->gain_e_per_adu(), other_order[i].model->gain_e_per_adu());
    for (std::size_t k = 0; k < run[i].measurement.stars.size(); ++k) {
      const Star& before = run[i].measurement.stars[k];
      const Star& after = with[i].measurement.stars[k];
      EXPECT_EQ(before.hfr_px, after.hfr_px);
      EXPECT_LT(after.snr, before.snr);
      EXPECT_EQ(after.snr, other_order[i].measurement.stars[k].snr);
    }
  }
}

TEST(ChangeGain, IsMeasuringWithThatGain) {
  Scene scene;
  scene.gradient = 0;
  const Frame frame = frame_of(scene);
  const auto with = [&](double gain) {
    MeasureOptions options;
    options.gain_e_per_adu = gain;
    return measured(frame, options);
  };
  const MeasuredFrame one = with(1);
  const MeasuredFrame three = with(3);
  ASSERT_EQ(one.measurement.stars.size(), three.measurement.stars.size());
  std::size_t same = 0;
  for (std::size_t k = 0; k < one.measurement.stars.size(); ++k) {
    Star star = one.measurement.stars[k];
    change_gain(one.model->profile(), 1, 3, star);
    // The other gain weighs the stars a little differently in what they teach of the frame.
    const Star& there = three.measurement.stars[k];
    if (std::abs(*star.hfr_sigma_px / *there.hfr_sigma_px - 1) < 0.01 &&
        std::abs(star.snr / there.snr - 1) < 0.01) {
      ++same;
    }
  }
  EXPECT_EQ(same, one.measurement.stars.size());
}

TEST(ShareCamera, OneFramesCeilingCountsForAll) {
  // The two brightest pixels of each frame, of about 12000 counts, reach it: too few for one frame.
  constexpr std::uint16_t kTopAdu = 12600;
  std::vector<MeasuredFrame> frames;
  for (const std::uint64_t seed : {1U, 2U}) {
    Scene scene;
    scene.seed = seed;
    Frame frame = frame_of(scene);
    const MeasuredFrame open = measured(frame);
    EXPECT_FALSE(std::isfinite(open.model->saturation_adu()));
    const PixelBuffer& pixels = frame.pixels;
    std::vector<std::uint16_t> stored = std::get<std::vector<std::uint16_t>>(pixels.storage());
    std::vector<std::uint16_t> sorted = stored;
    std::nth_element(sorted.begin(), sorted.begin() + 1, sorted.end(), std::greater<>());
    for (std::uint16_t& value : stored) value = value >= sorted[1] ? kTopAdu : value;
    frame.pixels = PixelBuffer(pixels.width_px(), pixels.height_px(), std::move(stored));
    const MeasuredFrame m = measured(frame);
    EXPECT_FALSE(std::isfinite(m.model->saturation_adu()));
    frames.push_back(m);
  }
  share_camera(frames);
  for (const MeasuredFrame& frame : frames) {
    EXPECT_NEAR(frame.model->saturation_adu(), kNearlyFull * kTopAdu, 1e-9);
    EXPECT_GT(frame.measurement.saturated_count, 0);
  }
}

}  // namespace
}  // namespace starwaist::stars
