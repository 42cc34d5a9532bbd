#include "starwaist/past_runs.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "support/analytic_stars.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::SizeIs;
using testing_support::TemporaryFolder;

constexpr int kFrames = 7;

// Frame `index` of a sweep: twelve stars, a size that grows away from the middle, an altitude that
// rises by a degree a frame.
std::string frame_bytes(int index) {
  constexpr int kWidth = 200;
  constexpr int kHeight = 160;
  analytic::Image image(kWidth, kHeight, 300);
  const double fwhm_px = std::hypot(3.0, 1.5 * (index - kFrames / 2));
  const auto profile = analytic::Moffat::of_fwhm(fwhm_px, 3.5);
  for (int k = 0; k < 12; ++k) {
    analytic::draw(image, profile, 28 + 47 * (k % 4) + 0.3 * k, 30 + 48 * (k / 4), 4e4 + 3e3 * k,
                   25);
  }
  analytic::add_noise(image, 3, 1, 500, static_cast<std::uint64_t>(70 + index));
  std::vector<std::uint16_t> pixels;
  for (const float v : image.values) {
    pixels.push_back(static_cast<std::uint16_t>(std::clamp(v, 0.0F, 65535.0F)));
  }
  const std::string number = std::to_string(index);
  return testing_support::fits_image(kWidth, kHeight, pixels,
                                     {{"FOCUSPOS", std::to_string(5000 + 40 * index)},
                                      {"FILTER", "'Ha'"},
                                      {"FOCTEMP", "4.5"},
                                      {"OBJCTALT", "4" + number},
                                      {"DATE-OBS", "'2027-02-03T20:1" + number + ":00'"}});
}

TEST(EachPastRun, TakesTimeFilterAndAltitudeFromTheFramesAsTheyWereMeasured) {
  const TemporaryFolder folder;
  for (int i = 0; i < kFrames; ++i) {
    folder.write("frame_" + std::to_string(i) + ".fits", frame_bytes(i));
  }
  HistoryOptions options;
  options.run.threads = 1;
  // Once all are measured there is nothing left to read.
  options.run.progress = [&folder](int done, int total) {
    if (done < total) return;
    for (int i = 0; i < kFrames; ++i) {
      std::filesystem::remove(folder.in("frame_" + std::to_string(i) + ".fits"));
    }
  };
  std::vector<LedgerRun> runs;
  const auto done = each_past_run({folder.path().string()}, options, [&](const PastRuns& past) {
    runs.insert(runs.end(), past.runs.begin(), past.runs.end());
    return Result<void>();
  });
  ASSERT_TRUE(done.has_value()) << done.error().text();
  ASSERT_THAT(runs, SizeIs(1));
  EXPECT_THAT(runs[0].points, SizeIs(kFrames));
  EXPECT_EQ(runs[0].altitude_deg, 43);  // of the fourth of seven
  EXPECT_EQ(runs[0].time_utc, "2027-02-03T20:13:00");
  EXPECT_EQ(runs[0].filter, "Ha");
  EXPECT_EQ(runs[0].temperature_c, 4.5);
}

}  // namespace
}  // namespace starwaist
