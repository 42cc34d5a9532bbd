// TIFF and PNG files of other programs, whole and damaged.
#include <gtest/gtest.h>

#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "support/raw_pixels.h"
#include "support/temporary_folder.h"
#include "support/written_files.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

struct PictureSuite {
  static constexpr const char* kScript = "tests/frame/write_pictures.py";
  static constexpr const char* kAvailable =
      "/usr/bin/python3 -c 'import PIL' 2>/dev/null && command -v raw2tiff >/dev/null";
  static constexpr const char* kMissing =
      "Pillow (package python3-pil) or libtiff-tools is not installed";
};

class Pictures : public testing_support::WrittenFiles<PictureSuite> {
 protected:
  static std::vector<fs::path> files_in(const std::string& name) {
    std::vector<fs::path> files;
    for (const auto& entry : fs::directory_iterator(in(name))) {
      if (entry.is_regular_file()) files.push_back(entry.path());
    }
    return files;
  }
};

// One line that begins with the file's name and holds a second sentence, the remedy.
void expect_clear(const Error& error, const std::string& name) {
  EXPECT_EQ(error.message.find(name + ": "), 0U) << error.text();
  EXPECT_GT(error.remedy.size(), 10U) << error.text();
  EXPECT_EQ(error.text().find('\n'), std::string::npos) << error.text();
}

TEST_F(Pictures, OfOtherProgramsHaveEqualPixels) {
  int files = 0;
  for (const fs::path& raw : files_in("")) {
    if (raw.extension() != ".raw") continue;
    const fs::path file = raw.parent_path() / raw.stem();
    FrameReadOptions options;
    const std::string stem = file.stem().string();
    if (stem.find("_red") != std::string::npos) options.channel = ColorChannel::red;
    if (stem.find("_blue") != std::string::npos) options.channel = ColorChannel::blue;
    const auto frame = read_frame(file.string(), options);
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_EQ(frame->file, file.filename().string());
    EXPECT_EQ(frame->pixels.width_px(), 61) << file;
    EXPECT_EQ(testing_support::different_pixels(frame->pixels, raw.string()), 0) << file;
    EXPECT_FALSE(frame->facts.position_steps || frame->facts.time_utc || frame->facts.exposure_s ||
                 frame->facts.bayer || frame->facts.saturation_adu)
        << file;
    ++files;
  }
  EXPECT_GE(files, 50);
}

TEST_F(Pictures, TakeTwoBytesAPixelWhereTheFileDoes) {
  for (const char* name :
       {"u8_None.tif", "u16_None.tif", "rgb16.tif", "u16.png", "rgb16_red.png"}) {
    const auto frame = read_frame(in(name));
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_TRUE(std::holds_alternative<std::vector<std::uint16_t>>(frame->pixels.storage()));
  }
}

TEST_F(Pictures, AreKnownByTheirFirstBytesAndNotByTheirNames) {
  fs::copy_file(in("u16.png"), in("png_inside.tif"));
  fs::copy_file(in("u16_None.tif"), in("tiff_inside.fits"));
  for (const char* name : {"png_inside.tif", "tiff_inside.fits"}) {
    const auto frame = read_frame(in(name));
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_EQ(testing_support::different_pixels(frame->pixels, in("u16.png.raw")), 0);
  }
}

TEST_F(Pictures, TakeThePositionFromTheName) {
  fs::copy_file(in("u16.png"), in("pos5120.5.png"));
  FrameReadOptions options;
  options.position_from_name = "pos([0-9.]+)\\.";
  const auto frame = read_frame(in("pos5120.5.png"), options);
  ASSERT_TRUE(frame.has_value()) << frame.error().text();
  EXPECT_EQ(frame->facts.position_steps, 5120.5);
}

TEST_F(Pictures, ThatAreNoFrameAreRefusedWithARemedy) {
  const auto refused = files_in("refused");
  EXPECT_EQ(refused.size(), 7U);
  for (const fs::path& file : refused) {
    const auto frame = read_frame(file.string());
    ASSERT_FALSE(frame.has_value()) << file;
    EXPECT_EQ(frame.error().code, ErrorCode::unsupported_format) << frame.error().text();
    expect_clear(frame.error(), file.filename().string());
  }
}

TEST_F(Pictures, CutShortAreRefusedWhereverTheCutFalls) {
  const auto files = files_in("whole");
  EXPECT_EQ(files.size(), 9U);
  for (const fs::path& file : files) {
    const std::string whole = testing_support::bytes_of(file.string());
    for (const double share : {0.0005, 0.003, 0.01, 0.1, 0.5, 0.9, 0.99}) {
      const std::string name = "short_" + file.filename().string();
      const auto frame = read_frame(folder()->write(
          name, whole.substr(
                    0, static_cast<std::size_t>(share * static_cast<double>(whole.size()) + 3))));
      ASSERT_FALSE(frame.has_value()) << file << " " << share;
      expect_clear(frame.error(), name);
    }
  }
}

TEST_F(Pictures, DamagedNeverCrash) {
  std::mt19937_64 random(19);
  for (const fs::path& file : files_in("whole")) {
    const std::string whole = testing_support::bytes_of(file.string());
    const std::string name = "damaged_" + file.filename().string();
    for (int round = 0; round < 150; ++round) {
      std::string bytes = whole;
      // Where TIFF and PNG keep their headers: at either end.
      const std::size_t at = round % 2 == 0 ? 0 : bytes.size() - 300;
      for (int flip = 0; flip < 4; ++flip) {
        bytes[at + random() % 300] = static_cast<char>(random() % 256);
      }
      const auto frame = read_frame(folder()->write(name, bytes));
      if (!frame) expect_clear(frame.error(), name);
    }
    std::string noise(20000, '\0');
    for (char& c : noise) c = static_cast<char>(random() % 256);
    const auto frame = read_frame(folder()->write(name, whole.substr(0, 8) + noise));
    ASSERT_FALSE(frame.has_value()) << file;
    expect_clear(frame.error(), name);
  }
}

// A TIFF of one strip by the bytes (TIFF 6.0, section 2): little-endian, deflate, 16-bit grey.
std::string tiff_that_promises(std::uint32_t width, std::uint32_t height) {
  std::string bytes("II*\0\x08\0\0\0", 8);
  const auto put = [&bytes](std::uint32_t value, int count) {
    for (int i = 0; i < count; ++i) bytes += static_cast<char>(value >> (8 * i) & 0xFFU);
  };
  const std::uint32_t tags[][3] = {{256, 4, width},  {257, 4, height}, {258, 3, 16},
                                   {259, 3, 8},      {262, 3, 1},      {273, 4, 110},
                                   {278, 4, height}, {279, 4, 20}};
  put(8, 2);
  for (const auto& [tag, type, value] : tags) {
    put(tag, 2);
    put(type, 2);
    put(1, 4);
    put(value, 4);
  }
  put(0, 4);
  return bytes + std::string(40, 'x');
}

TEST(PictureSizes, ThatNoCameraHasAreRefusedBeforeMemoryIsTaken) {
  const testing_support::TemporaryFolder folder;
  for (const auto& [width, height] : std::vector<std::pair<std::uint32_t, std::uint32_t>>{
           {4000000000U, 4000000000U}, {30000, 30000}, {0, 10}, {10, 0}, {1U << 31U, 1}}) {
    const auto frame = read_frame(folder.write("bomb.tif", tiff_that_promises(width, height)));
    ASSERT_FALSE(frame.has_value());
    expect_clear(frame.error(), "bomb.tif");
  }
}

TEST(FrameNames, TellPicturesFromFrames) {
  for (const char* name : {"a.fits", "a.FIT", "a.fts", "a.fz", "a.fits.gz", "b/a.tif", "a.TIFF"}) {
    EXPECT_TRUE(is_frame_name(name)) << name;
    EXPECT_FALSE(is_png_name(name)) << name;
  }
  for (const char* name : {"a.png", "a.jpg", "tif", ".tif", "a.tif.gz", "a.csv", "a.gz", ""}) {
    EXPECT_FALSE(is_frame_name(name)) << name;
  }
  EXPECT_TRUE(is_png_name("b/a.PNG"));
}

}  // namespace
}  // namespace starwaist
