// Raw files of ordinary cameras, as DNG written from the specification.
#include <gtest/gtest.h>

#include <filesystem>
#include <random>
#include <string>

#include "starwaist/frame.h"
#include "support/raw_pixels.h"
#include "support/temporary_folder.h"
#include "support/written_files.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

struct RawSuite {
  static constexpr const char* kScript = "tests/frame/write_raw.py";
  static constexpr const char* kAvailable = "/usr/bin/python3 -c 'import numpy' 2>/dev/null";
  static constexpr const char* kMissing = "python3-numpy is not installed";
};

using RawFiles = testing_support::WrittenFiles<RawSuite>;

std::string letters_of(const BayerTile& tile) {
  std::string letters;
  for (const ColorChannel channel : tile.tile) letters += "RGB"[static_cast<int>(channel)];
  return letters;
}

TEST_F(RawFiles, GiveTheVisiblePixelsAndTheirColours) {
  int files = 0;
  for (const auto& entry : fs::directory_iterator(in(""))) {
    if (entry.path().extension() != ".raw") continue;
    const fs::path file = entry.path().parent_path() / entry.path().stem();
    const auto frame = read_frame(file.string());
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_EQ(testing_support::different_pixels(frame->pixels, entry.path().string()), 0) << file;
    EXPECT_TRUE(std::holds_alternative<std::vector<std::uint16_t>>(frame->pixels.storage()));
    ASSERT_TRUE(frame->facts.bayer.has_value()) << file;
    // The letters count from the visible area's corner (DNG 1.4, CFAPattern).
    const std::string stem = file.stem().string();
    EXPECT_EQ(letters_of(*frame->facts.bayer), stem.substr(stem.size() - 4)) << file;
    EXPECT_EQ(frame->facts.exposure_s, 2.5);
    EXPECT_EQ(frame->facts.time_utc, "2027-02-03T20:11:05");
    EXPECT_FALSE(frame->facts.position_steps || frame->facts.temperature_c);
    ++files;
  }
  EXPECT_EQ(files, 14);
}

TEST_F(RawFiles, TellTheLevelOfAFullPixelWhereTheyHaveOne) {
  EXPECT_EQ(read_frame(in("RGGB.dng"))->facts.saturation_adu, 15000.0);
  EXPECT_EQ(read_frame(in("even_black_RGGB.dng"))->facts.saturation_adu, 15000.0);
  // 34 counts of black are taken off the brightest site.
  EXPECT_EQ(read_frame(in("odd_black_RGGB.dng"))->facts.saturation_adu, 15000.0 - 34);
  EXPECT_FALSE(read_frame(in("whole_RGGB.dng"))->facts.saturation_adu.has_value());
}

TEST_F(RawFiles, GiveTheColourThatIsAskedForAsMosaicsInFitsDo) {
  const auto frame = read_frame(in("GRBG.dng"));
  ASSERT_TRUE(frame.has_value());
  const Frame red = color_channel(*frame, ColorChannel::red);
  for (int y = 0; y < 53; y += 2) {
    for (int x = 1; x < 89; x += 2) ASSERT_EQ(red.pixels.at(x, y), frame->pixels.at(x, y));
  }
}

TEST_F(RawFiles, OfOtherSensorsAreRefusedWithARemedy) {
  for (const char* name : {"six_by_six.dng", "no_mosaic.dng"}) {
    const auto frame = read_frame(in(std::string("refused/") + name));
    ASSERT_FALSE(frame.has_value()) << name;
    EXPECT_EQ(frame.error().code, ErrorCode::unsupported_format) << frame.error().text();
    EXPECT_EQ(frame.error().message.find(std::string(name) + ": "), 0U) << frame.error().text();
    EXPECT_NE(frame.error().remedy.find("TIFF"), std::string::npos) << frame.error().text();
  }
}

TEST_F(RawFiles, DamagedOrCutShortGetOneClearLineOrAreReadWhole) {
  const std::string whole = testing_support::bytes_of(in("RGGB.dng"));
  std::mt19937_64 random(29);
  const auto check = [](const std::string& bytes, bool must_fail) {
    const auto frame = read_frame(folder()->write("damaged.dng", bytes));
    if (frame) {
      EXPECT_FALSE(must_fail);
      return;
    }
    EXPECT_EQ(frame.error().message.find("damaged.dng: "), 0U) << frame.error().text();
    EXPECT_GT(frame.error().remedy.size(), 10U) << frame.error().text();
    EXPECT_EQ(frame.error().text().find('\n'), std::string::npos) << frame.error().text();
  };
  // The directory stands at the end of the file: without it there is no image.
  for (const double share : {0.001, 0.01, 0.3, 0.9, 0.97}) {
    check(whole.substr(0, static_cast<std::size_t>(share * static_cast<double>(whole.size()))),
          true);
  }
  for (int round = 0; round < 300; ++round) {
    std::string bytes = whole;
    const std::size_t at = round % 4 == 0 ? 0 : bytes.size() - 450;
    for (int flip = 0; flip < 3; ++flip) bytes[at + random() % 450] = static_cast<char>(random());
    check(bytes, false);
  }
}

TEST(FrameNames, TellRawFilesOfCameras) {
  for (const char* name :
       {"a.CR2", "a.cr3", "a.nef", "a.arw", "a.raf", "a.dng", "a.orf", "a.rw2", "a.pef", "a.raw"}) {
    EXPECT_TRUE(is_frame_name(name)) << name;
  }
}

}  // namespace
}  // namespace starwaist
