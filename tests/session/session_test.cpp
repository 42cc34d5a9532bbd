// Light frames from pixels to a judged night, with star images that the library did not make.
#include "starwaist/session.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include "core/clock.h"
#include "support/analytic_stars.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;
using testing::SizeIs;
using testing_support::TemporaryFolder;

constexpr int kWidth = 300;
constexpr int kHeight = 240;

// One exposure of the same 24 stars.
struct Exposure {
  double fwhm_px = 4;
  double transmission = 1;
  double sky_e = 300;
  bool flipped = false;  // turned by 180 degrees, as after a meridian flip
  double exposure_s = 240;
  double position_steps = 5000;
  std::string filter = "L";
  bool with_time = true;
};

std::string fits_of(const Exposure& e, int index) {
  std::mt19937 places(42);
  std::uniform_real_distribution<> uniform(0, 1);
  std::mt19937 dither(static_cast<unsigned>(100 + index));
  const double shift_x = 6 * (std::uniform_real_distribution<>(0, 1)(dither) - 0.5);
  const double shift_y = 6 * (std::uniform_real_distribution<>(0, 1)(dither) - 0.5);
  analytic::Image image(kWidth, kHeight, e.sky_e);
  const auto profile = analytic::Moffat::of_fwhm(e.fwhm_px, 3.5);
  for (int k = 0; k < 24; ++k) {
    double x = 30 + (k % 6) * 47 + 14 * uniform(places);
    double y = 28 + (k / 6) * 58 + 14 * uniform(places);
    const double flux = 2e4 * std::pow(12.0, uniform(places));
    if (e.flipped) {
      x = kWidth - 1 - x;
      y = kHeight - 1 - y;
    }
    analytic::draw(image, profile, x + shift_x, y + shift_y, flux * e.transmission, 25);
  }
  analytic::add_noise(image, 3, 1, 500, static_cast<std::uint64_t>(900 + index));
  std::vector<std::uint16_t> pixels;
  for (const float v : image.values) {
    pixels.push_back(static_cast<std::uint16_t>(std::min(std::max(v, 0.0F), 65535.0F)));
  }
  testing_support::Cards cards = {{"FOCUSPOS", std::to_string(e.position_steps)},
                                  {"FOCTEMP", "7.5"},
                                  {"FILTER", "'" + e.filter + "'"},
                                  {"EXPTIME", std::to_string(e.exposure_s)}};
  if (e.with_time) {
    cards.emplace_back("DATE-OBS", "'" + core::format_utc(1.8e9 + 250.0 * index) + "'");
  }
  return testing_support::fits_image(kWidth, kHeight, pixels, cards);
}

std::string name_of(int index) { return "light_" + std::to_string(100 + index) + ".fits"; }

void write(const TemporaryFolder& folder, const std::vector<Exposure>& exposures) {
  for (std::size_t i = 0; i < exposures.size(); ++i) {
    const int index = static_cast<int>(i);
    folder.write(name_of(index), fits_of(exposures[i], index));
  }
}

SessionOptions two_threads() {
  SessionOptions options;
  options.run.threads = 2;
  return options;
}

TEST(JudgeSession, TellsAKnockFromACloudThroughAMeridianFlip) {
  const TemporaryFolder folder;
  std::vector<Exposure> night(20);
  std::mt19937 random(3);
  std::normal_distribution<> noise;
  for (auto& e : night) e.fwhm_px *= 1 + 0.015 * noise(random);
  for (std::size_t i = 4; i < 7; ++i) {
    night[i].transmission = 0.6;
    night[i].sky_e = 380;
  }
  for (std::size_t i = 9; i < 20; ++i) night[i].flipped = true;
  for (std::size_t i = 13; i < 20; ++i) night[i].fwhm_px *= 1.35;
  write(folder, night);
  folder.write("light_999.fits", "no frame at all");

  const auto answer = judge_session({folder.path().string()}, two_threads());
  ASSERT_TRUE(answer.has_value()) << answer.error().text();
  ASSERT_THAT(answer->frames, SizeIs(20));
  ASSERT_THAT(answer->skipped, SizeIs(1));
  EXPECT_EQ(answer->skipped[0].file, "light_999.fits");
  const NightResult& result = answer->judgement.result;
  ASSERT_THAT(result.periods, SizeIs(2));
  EXPECT_EQ(result.periods[0].cause, "passing_cloud");
  EXPECT_EQ(result.periods[0].from_file, name_of(4));
  EXPECT_EQ(result.periods[0].to_file, name_of(6));
  EXPECT_EQ(result.periods[1].cause, "focus_jump");
  EXPECT_EQ(result.periods[1].from_file, name_of(13));
  // 0.6 of the light, to what 24 stars of this brightness show.
  EXPECT_NEAR(*answer->judgement.frames[5].light_percent, 60, 3);
  EXPECT_NEAR(*answer->judgement.frames[15].light_percent, 100, 4);
  // Best size: a Moffat of 4 px recorded by pixels of one, at its good end.
  const auto moffat = analytic::Moffat::of_fwhm(4, 3.5);
  ASSERT_THAT(result.filters, SizeIs(1));
  EXPECT_NEAR(*result.filters[0].best_size_px, moffat.half_flux_radius(), 0.1);
  EXPECT_NEAR(*answer->judgement.frames[16].focus_loss_percent, 35, 8);
}

TEST(JudgeSession, KeepsFiltersApartAndLeavesFocusRunsOut) {
  const TemporaryFolder folder;
  std::vector<Exposure> night;
  for (int i = 0; i < 16; ++i) {
    Exposure e;
    e.filter = i % 2 == 0 ? "L" : "Ha";
    if (i % 2 == 1) {
      e.transmission = 0.4;  // what a narrow filter leaves is no cloud
      e.fwhm_px = 4.4;       // nor is its size lost focus
      e.position_steps = 5025;
    }
    night.push_back(e);
    if (i == 7) {
      for (int k = 0; k < 6; ++k) {
        Exposure focus;
        focus.exposure_s = 5;
        focus.position_steps = 4900 + 40.0 * k;
        focus.fwhm_px = 4 + std::abs(k - 2.5);
        night.push_back(focus);
      }
    }
  }
  write(folder, night);
  const auto answer = judge_session({folder.path().string()}, two_threads());
  ASSERT_TRUE(answer.has_value()) << answer.error().text();
  EXPECT_THAT(answer->frames, SizeIs(16));
  ASSERT_THAT(answer->skipped, SizeIs(6));
  EXPECT_THAT(answer->skipped[0].reason.text, HasSubstr("focus run"));
  EXPECT_THAT(answer->judgement.result.filters, SizeIs(2));
  EXPECT_THAT(answer->judgement.result.periods, IsEmpty());
}

TEST(JudgeSession, RefusesTablesAndTooFewFrames) {
  const TemporaryFolder folder;
  const std::string table = folder.write("sizes.csv", "position,hfr\n5000,2\n5010,2.1\n5020,2.2\n");
  const auto of_table = judge_session({table}, two_threads());
  ASSERT_FALSE(of_table.has_value());
  EXPECT_EQ(of_table.error().code, ErrorCode::no_data);
  write(folder, {Exposure{}, Exposure{}});
  const auto few = judge_session({folder.in(name_of(0)), folder.in(name_of(1))}, two_threads());
  ASSERT_FALSE(few.has_value());
  EXPECT_EQ(few.error().code, ErrorCode::no_data);
}

TEST(LiveNight, SaysToRefocusOnceFocusJumped) {
  const TemporaryFolder folder;
  std::vector<Exposure> night(14);
  for (std::size_t i = 9; i < 14; ++i) night[i].fwhm_px = 5.8;
  write(folder, night);
  LiveNight live(two_threads());
  std::vector<bool> refocus;
  for (int i = 0; i < 14; ++i) {
    const auto answer = live.add(folder.in(name_of(i)));
    ASSERT_TRUE(answer.has_value()) << answer.error().text();
    EXPECT_EQ(answer->file, name_of(i));
    EXPECT_EQ(answer->frames, i + 1);
    refocus.push_back(answer->refocus);
    if (i == 13) {
      EXPECT_EQ(answer->cause, "focus_jump");
      // HFR of a Moffat goes as its FWHM: 5.8 / 4.
      EXPECT_NEAR(*answer->loss_percent, 45, 6);
      EXPECT_THAT(answer->advice.text, HasSubstr("Refocus now"));
    }
  }
  for (std::size_t i = 0; i < 9; ++i) EXPECT_FALSE(refocus[i]) << i;
  EXPECT_TRUE(refocus[13]);
}

TEST(LooksLikeNight, LongExposuresAtOnePosition) {
  const auto facts = [](double exposure, double position) {
    HeaderFacts f;
    f.exposure_s = exposure;
    f.position_steps = position;
    return f;
  };
  EXPECT_FALSE(looks_like_night({}).has_value());
  EXPECT_EQ(looks_like_night({facts(120, 5000)}), true);
  EXPECT_EQ(looks_like_night({facts(3, 5000)}), false);
  EXPECT_FALSE(looks_like_night({facts(20, 5000)}).has_value());
  EXPECT_EQ(looks_like_night({facts(20, 5000), facts(20, 5040)}), false);
  EXPECT_EQ(looks_like_night({facts(20, 5000), facts(20, 5000), facts(20, 5000)}), true);
}

}  // namespace
}  // namespace starwaist
