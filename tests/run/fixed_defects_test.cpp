// A few stars among hundreds of warm spots: stars of closed form whose sizes follow a hyperbola, so
// that best focus is known without the library.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/codes.h"
#include "starwaist/run.h"
#include "support/analytic_stars.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using analytic::Image;
using testing_support::TemporaryFolder;

constexpr double kBestFocusSteps = 5012;
constexpr double kHalfZoneSteps = 13.75;  // 2 lambda N^2 at f/5, 2 um a step
constexpr int kFramesOfRun = 9;

struct SpottedRun {
  int stars = 5;
  int spots = 300;
  double dither_px = 0;
  double step_steps = 60;
  std::uint64_t seed = 1;
};

// Spots of half a pixel to one pixel rms, as wide as sharp stars, always at the same place.
Image with_spots(Image image, const SpottedRun& run) {
  std::mt19937_64 random(run.seed);
  std::uniform_real_distribution<double> uniform(0, 1);
  for (int i = 0; i < run.spots; ++i) {
    const double sigma_px = 0.5 + 0.5 * uniform(random);
    const double x_px = 10 + uniform(random) * (image.width_px - 20);
    const double y_px = 10 + uniform(random) * (image.height_px - 20);
    analytic::draw(image, analytic::Gaussian{sigma_px}, x_px, y_px,
                   1000 * std::pow(20.0, uniform(random)), 6);
  }
  return image;
}

std::vector<std::string> written(const SpottedRun& run, const TemporaryFolder& folder) {
  constexpr int kWidth = 400;
  constexpr int kHeight = 300;
  std::mt19937_64 random(run.seed + 100);
  std::uniform_real_distribution<double> uniform(0, 1);
  std::normal_distribution<double> normal;
  std::vector<std::pair<double, double>> places;
  while (static_cast<int>(places.size()) < run.stars) {
    const std::pair place{40 + uniform(random) * (kWidth - 80),
                          40 + uniform(random) * (kHeight - 80)};
    const bool lonely = std::all_of(places.begin(), places.end(), [&](const auto& p) {
      return std::hypot(p.first - place.first, p.second - place.second) > 45;
    });
    if (lonely) places.push_back(place);
  }
  std::vector<std::string> paths;
  for (int i = 0; i < kFramesOfRun; ++i) {
    const double position = 5000 + run.step_steps * (i - kFramesOfRun / 2);
    const double away = (position - kBestFocusSteps) / 110;
    const auto profile = analytic::Moffat::of_fwhm(4.6 * std::sqrt(1 + away * away), 3.5);
    Image image(kWidth, kHeight, 150);
    const double dx = run.dither_px * normal(random);
    const double dy = run.dither_px * normal(random);
    for (std::size_t k = 0; k < places.size(); ++k) {
      analytic::draw(image, profile, places[k].first + dx, places[k].second + dy,
                     12000 + 5000 * static_cast<double>(k), 60);
    }
    image = with_spots(std::move(image), run);
    analytic::add_noise(image, 3, 1, 500, run.seed * 50 + static_cast<std::uint64_t>(i));
    const Frame frame = analytic::frame_of(image, 1, 3);
    paths.push_back(folder.write(
        "f" + std::to_string(i) + ".fits",
        testing_support::fits_image(kWidth, kHeight,
                                    std::get<std::vector<std::uint16_t>>(frame.pixels.storage()),
                                    {{"FOCUSPOS", std::to_string(position)}})));
  }
  return paths;
}

RunOptions options_of_rig() {
  RunOptions options;
  options.rig.f_number = 5;
  options.rig.pixel_um = 3.76;
  options.rig.um_per_step = 2;
  return options;
}

bool notes(const RunAnswer& answer, std::string_view code) {
  return std::any_of(answer.fit.notes.begin(), answer.fit.notes.end(),
                     [&](const Statement& note) { return note.code == code; });
}

TEST(JudgeRun, FollowsAFewStarsAmongSpotsThatStayAsTheyAre) {
  for (const double dither_px : {0.0, 4.0}) {
    for (const int stars : {2, 4, 7}) {
      const TemporaryFolder folder;
      const SpottedRun run{
          .stars = stars, .dither_px = dither_px, .seed = 3U + static_cast<std::uint64_t>(stars)};
      const auto answer = judge_run(written(run, folder), options_of_rig());
      ASSERT_TRUE(answer.has_value()) << answer.error().text();
      ASSERT_TRUE(answer->fit.best_focus_steps) << stars << " " << dither_px;
      EXPECT_NEAR(*answer->fit.best_focus_steps, kBestFocusSteps, kHalfZoneSteps)
          << stars << " " << dither_px;
      EXPECT_TRUE(notes(*answer, codes::defects_left_out));
      EXPECT_EQ(notes(*answer, codes::few_stars_follow), stars < 5);
    }
  }
}

TEST(JudgeRun, StarsThatNeitherMoveNorChangeAreNotTakenForDefects) {
  const TemporaryFolder folder;
  const SpottedRun run{.stars = 12, .spots = 0, .step_steps = 2, .seed = 9};
  const auto measured = record_run(written(run, folder), options_of_rig());
  ASSERT_TRUE(measured.has_value()) << measured.error().text();
  for (const MeasuredFrame& frame : measured->record.frames) {
    EXPECT_GE(frame.measurement.star_count, 10);
  }
}

}  // namespace
}  // namespace starwaist
