#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "stars/registration.h"
#include "starwaist/stars.h"

namespace starwaist {
namespace {

// Frames of invented stars: star j's size is base_i * factor_j with a given relative noise.
struct Sky {
  std::vector<Star> stars;
  std::vector<double> factor;
};

Sky sky_of(int count, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::uniform_real_distribution<double> place(50, 950);
  std::normal_distribution<double> normal(0, 1);
  Sky sky;
  for (int j = 0; j < count; ++j) {
    Star star;
    star.x_px = place(random);
    star.y_px = place(random);
    star.flux_adu = 1e5 / (j + 1);
    star.snr = 200.0 / std::sqrt(j + 1.0);
    sky.stars.push_back(star);
    sky.factor.push_back(std::exp(0.1 * normal(random)));
  }
  return sky;
}

FrameMeasurement frame_of(const Sky& sky, double base_px, double noise, double shift_px,
                          bool turned, std::uint64_t seed, double faint_limit = 0) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0, 1);
  FrameMeasurement frame;
  frame.hfr_px = base_px;
  for (std::size_t j = 0; j < sky.stars.size(); ++j) {
    Star star = sky.stars[j];
    if (star.snr < faint_limit) continue;
    star.x_px += shift_px + 0.1 * normal(random);
    star.y_px -= 0.6 * shift_px + 0.1 * normal(random);
    if (turned) {
      star.x_px = 999 - star.x_px;
      star.y_px = 999 - star.y_px;
    }
    star.hfr_px = base_px * sky.factor[j] * (1 + noise * normal(random));
    star.hfr_sigma_px = noise * *star.hfr_px;
    frame.stars.push_back(star);
  }
  return frame;
}

TEST(MatchSizes, SizesFollowTheFramesAndNotWhichStarsWereFound) {
  const Sky sky = sky_of(60, 5);
  std::vector<FrameMeasurement> frames;
  const std::vector<double> base{6, 4, 2, 1.5, 2, 4, 6};
  for (std::size_t i = 0; i < base.size(); ++i) {
    // Faint stars, whose factors differ, vanish out of focus.
    frames.push_back(frame_of(sky, base[i], 0.005, 3.0 * static_cast<double>(i), false, 10 + i,
                              base[i] > 3 ? 60 : 0));
  }
  const auto sizes = match_sizes(frames, align_frames(frames));
  ASSERT_EQ(sizes.size(), base.size());
  for (std::size_t i = 0; i < base.size(); ++i) {
    ASSERT_TRUE(sizes[i].matched) << i;
    // Relative to the sharpest frame: 0.5 % over the root of 20 stars is 0.11 % a frame, 0.16 % for
    // the ratio of two; five of these.
    EXPECT_NEAR(*sizes[i].size_px / *sizes[3].size_px / (base[i] / base[3]), 1, 0.008) << i;
    EXPECT_GT(*sizes[i].sigma_px, 0);
  }
}

// Star j of a hyperbola of 2 px and 0.02 px a step has its focus at z_j.
struct SpreadField {
  std::vector<FrameMeasurement> frames;
  std::vector<double> log_size;           // of the star without offset, by frame
  std::vector<double> by_focus_per_step;  // d ln size / d best focus
};

SpreadField spread_field(double spread_steps, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::normal_distribution<double> normal(0, 1);
  const Sky sky = sky_of(30, seed);
  SpreadField field;
  std::vector<double> z;
  for (std::size_t j = 0; j < sky.stars.size(); ++j) z.push_back(spread_steps * normal(random));
  for (const double x : {-240, -180, -120, -60, 0, 60, 120, 180, 240}) {
    FrameMeasurement frame = frame_of(sky, 1, 0.002, 0, false, seed);
    const auto size = [x](double focus) { return std::hypot(2, 0.02 * (x - focus)); };
    for (std::size_t j = 0; j < frame.stars.size(); ++j) {
      // The brightest to 0.3 %, the faintest to 2 %.
      const double noise = 0.003 * std::sqrt(1.0 + static_cast<double>(j));
      Star& star = frame.stars[j];
      star.hfr_px = size(z[j]) * sky.factor[j] * (1 + noise * normal(random));
      star.hfr_sigma_px = noise * *star.hfr_px;
    }
    frame.hfr_px = size(0);
    field.frames.push_back(frame);
    field.log_size.push_back(std::log(size(0)));
    field.by_focus_per_step.push_back((std::log(size(1)) - std::log(size(-1))) / 2);
  }
  return field;
}

// Best focus of the matched sizes, to first order.
double focus_of(const SpreadField& field) {
  const auto sizes = match_sizes(field.frames, align_frames(field.frames));
  double mean = 0;
  for (std::size_t i = 0; i < sizes.size(); ++i) {
    mean += (std::log(*sizes[i].size_px) - field.log_size[i]) / static_cast<double>(sizes.size());
  }
  double along = 0;
  double squares = 0;
  for (std::size_t i = 0; i < sizes.size(); ++i) {
    const double g = field.by_focus_per_step[i];  // odd in x: its mean is zero
    along += g * (std::log(*sizes[i].size_px) - field.log_size[i] - mean);
    squares += g * g;
  }
  return along / squares;
}

TEST(FocusErrorOfStars, IsTheScatterOfBestFocusFromFieldToField) {
  constexpr int kFields = 120;
  double squares = 0;
  double expected = 0;
  for (std::uint64_t seed = 0; seed < kFields; ++seed) {
    const SpreadField field = spread_field(12, 300 + seed);
    const double focus = focus_of(field);
    const auto error = focus_error_of_stars(field.frames, align_frames(field.frames),
                                            SizeMeasure::hfr, field.by_focus_per_step);
    ASSERT_TRUE(error) << seed;
    squares += focus * focus / kFields;
    expected += *error * *error / kFields;
  }
  // 12 steps by 30 stars of even weight would be 2.2.
  EXPECT_LT(std::sqrt(expected), 12 / std::sqrt(12.0));
  // A standard deviation of 120 is good to 6.5 %; three of these, and the measuring errors, a tenth
  // of it in quadrature.
  EXPECT_NEAR(std::sqrt(squares / expected), 1, 0.25);
}

TEST(FocusErrorOfStars, IsLittleWhereAllStarsAreSharpTogether) {
  for (std::uint64_t seed = 0; seed < 20; ++seed) {
    const SpreadField field = spread_field(0, 900 + seed);
    const auto error = focus_error_of_stars(field.frames, align_frames(field.frames),
                                            SizeMeasure::hfr, field.by_focus_per_step);
    // What errors of 0.3 to 2 % in nine frames leave of one star's focus is 1 to 6 steps; a spread
    // hidden in that, over the root of 30 stars.
    ASSERT_TRUE(error) << seed;
    EXPECT_LT(*error, 0.5) << seed;
  }
}

TEST(FocusErrorOfStars, NeedsThreeStars) {
  const SpreadField field = spread_field(12, 1);
  std::vector<FrameMeasurement> few = field.frames;
  for (FrameMeasurement& frame : few) frame.stars.resize(2);
  EXPECT_FALSE(
      focus_error_of_stars(few, align_frames(few), SizeMeasure::hfr, field.by_focus_per_step));
  EXPECT_FALSE(focus_error_of_stars({}, {}, SizeMeasure::hfr, {}));
}

TEST(MatchSizes, FrameTurnedAfterAMeridianFlipIsMatched) {
  const Sky sky = sky_of(40, 6);
  std::vector<FrameMeasurement> frames{frame_of(sky, 2, 0.005, 0, false, 1),
                                       frame_of(sky, 3, 0.005, 7, true, 2)};
  const auto sizes = match_sizes(frames, align_frames(frames));
  EXPECT_TRUE(sizes[1].matched);
  EXPECT_GT(sizes[1].stars, 30);
  EXPECT_NEAR(*sizes[1].size_px / *sizes[0].size_px, 1.5, 0.01);
}

TEST(MatchSizes, SigmaIsTheScatterOfRepeats) {
  const Sky sky = sky_of(30, 7);
  std::vector<FrameMeasurement> frames;
  for (std::uint64_t i = 0; i < 60; ++i)
    frames.push_back(frame_of(sky, 3, 0.03, 1, false, 100 + i));
  const auto sizes = match_sizes(frames, align_frames(frames));
  double mean = 0;
  double square = 0;
  double sigma = 0;
  for (const auto& s : sizes) {
    mean += *s.size_px / 60;
    sigma += *s.sigma_px / 60;
  }
  for (const auto& s : sizes) square += (*s.size_px - mean) * (*s.size_px - mean) / 59;
  // The spread of 60 is good to 9 %; three of these.
  EXPECT_NEAR(std::sqrt(square) / sigma, 1, 0.28);
}

TEST(MatchSizes, StrangeFrameKeepsItsOwnSize) {
  std::vector<FrameMeasurement> frames{frame_of(sky_of(40, 8), 2, 0.005, 0, false, 1),
                                       frame_of(sky_of(40, 8), 3, 0.005, 2, false, 2),
                                       frame_of(sky_of(40, 99), 5, 0.005, 0, false, 3)};
  frames[2].hfr_sigma_px = 0.1;
  const auto sizes = match_sizes(frames, align_frames(frames));
  EXPECT_TRUE(sizes[0].matched && sizes[1].matched);
  EXPECT_FALSE(sizes[2].matched);
  EXPECT_EQ(sizes[2].size_px, 5.0);
}

// Stars that the reference lacks are lost to all frames.
TEST(AlignFrames, TheFrameWithMostUsableStarsIsTheReference) {
  const Sky sky = sky_of(40, 8);
  std::vector<FrameMeasurement> frames{frame_of(sky, 6, 0.005, 0, false, 1, 60),
                                       frame_of(sky, 2, 0.005, 2, false, 2),
                                       frame_of(sky, 4, 0.005, 1, false, 3, 40)};
  EXPECT_EQ(align_frames(frames).reference, 1U);
}

TEST(MatchSizes, NothingInNothingOut) {
  EXPECT_TRUE(match_sizes({}, align_frames({})).empty());
  const std::vector<FrameMeasurement> empty(3);
  const auto sizes = match_sizes(empty, align_frames(empty));
  for (const auto& s : sizes) EXPECT_FALSE(s.size_px.has_value());
}

TEST(FindMap, FindsAShiftAmongStrangersAndRefusesChance) {
  std::mt19937_64 random(3);
  std::uniform_real_distribution<double> place(0, 1000);
  std::vector<StarPlace> reference;
  std::vector<StarPlace> places;
  for (int i = 0; i < 40; ++i) {
    reference.push_back({place(random), place(random)});
    // Two thirds are the same stars, 1e-4 larger in scale and shifted; the rest are others.
    places.push_back(i % 3 == 0 ? StarPlace{place(random), place(random)}
                                : StarPlace{1.0001 * reference.back().x_px - 120,
                                            1.0001 * reference.back().y_px + 33});
  }
  const auto map = stars::find_map(places, reference, 2.5);
  ASSERT_TRUE(map.has_value());
  const auto pairs = stars::pair_places(places, reference, *map, 0.5);
  EXPECT_GE(std::count_if(pairs.begin(), pairs.end(), [](const auto& p) { return p.has_value(); }),
            26);
  std::vector<StarPlace> strangers;
  for (int i = 0; i < 40; ++i) strangers.push_back({place(random), place(random)});
  EXPECT_FALSE(stars::find_map(strangers, reference, 2.5).has_value());
}

}  // namespace
}  // namespace starwaist
