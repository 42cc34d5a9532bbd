// Runs on disk, read back by CFITSIO and nlohmann-json themselves.
#include <fitsio.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstddef>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <string>
#include <variant>
#include <vector>

#include "starwaist/render.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

class RenderRun : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::path(::testing::TempDir()) /
              (std::string("starwaist_render_") +
               ::testing::UnitTest::GetInstance()->current_test_info()->name());
    fs::remove_all(folder_);
  }
  void TearDown() override { fs::remove_all(folder_); }

  static RenderOptions options() {
    RenderOptions made;
    made.width_px = 160;
    made.height_px = 120;
    made.star_count = 12;
    made.wavelengths_um = {0.55};
    made.brightest_electrons = 5e6;  // some pixels above 32767, where BZERO matters
    made.positions_steps = evenly_spaced_positions(5000, 25, 3);
    made.gain_e_per_adu = 0.8;
    made.temperatures_c = {4.5, 4.25, -1};
    return made;
  }

  [[nodiscard]] std::string text_of(const std::string& name) const {
    std::ifstream in(folder_ / name, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
  }

  fs::path folder_;
};

struct RawFrame {
  int bitpix = 0;
  std::vector<std::uint16_t> pixels;
  bool compressed = false;
  double position = 0;
  double temperature = 0;
  double gain = 0;
  double bzero = 0;
  std::string date;
  std::string filter;
  double aperture = 0;
};

RawFrame read_raw(const fs::path& path) {
  RawFrame raw;
  int status = 0;
  fitsfile* file = nullptr;
  fits_open_diskfile(&file, path.c_str(), READONLY, &status);
  // The image is the second HDU of a compressed file.
  long axes[2] = {0, 0};
  int axis_count = 0;
  fits_get_img_dim(file, &axis_count, &status);
  if (axis_count == 0) fits_movabs_hdu(file, 2, nullptr, &status);
  raw.compressed = fits_is_compressed_image(file, &status) != 0;
  fits_get_img_type(file, &raw.bitpix, &status);
  fits_get_img_size(file, 2, axes, &status);
  raw.pixels.resize(static_cast<std::size_t>(axes[0] * axes[1]));
  int any = 0;
  fits_read_img(file, TUSHORT, 1, axes[0] * axes[1], nullptr, raw.pixels.data(), &any, &status);
  fits_read_key(file, TDOUBLE, "FOCUSPOS", &raw.position, nullptr, &status);
  fits_read_key(file, TDOUBLE, "FOCTEMP", &raw.temperature, nullptr, &status);
  fits_read_key(file, TDOUBLE, "EGAIN", &raw.gain, nullptr, &status);
  fits_read_key(file, TDOUBLE, "BZERO", &raw.bzero, nullptr, &status);
  fits_read_key(file, TDOUBLE, "APTDIA", &raw.aperture, nullptr, &status);
  char text[FLEN_VALUE] = {};
  fits_read_key(file, TSTRING, "DATE-OBS", text, nullptr, &status);
  raw.date = text;
  fits_read_key(file, TSTRING, "FILTER", text, nullptr, &status);
  raw.filter = text;
  EXPECT_EQ(status, 0) << path;
  int close_status = 0;
  if (file != nullptr) fits_close_file(file, &close_status);
  return raw;
}

TEST_F(RenderRun, FilesHoldTheFrameThatIsMadeInMemory) {
  for (const bool compressed : {false, true}) {
    RenderOptions made = options();
    made.tile_compressed = compressed;
    const auto truth = render_run(made, folder_.string(), compressed);
    ASSERT_TRUE(truth.has_value()) << truth.error().text();
    ASSERT_EQ(truth->frames.size(), 3U);
    for (int i = 0; i < 3; ++i) {
      const auto k = static_cast<std::size_t>(i);
      EXPECT_EQ(truth->frames[k].file,
                "frame_0" + std::to_string(i) + (compressed ? ".fits.fz" : ".fits"));
      const RawFrame raw = read_raw(folder_ / truth->frames[k].file);
      const auto frame = render_frame(made, i);
      ASSERT_TRUE(frame.has_value());
      EXPECT_EQ(raw.pixels, std::get<std::vector<std::uint16_t>>(frame->pixels.storage()));
      EXPECT_EQ(raw.compressed, compressed);
      EXPECT_EQ(raw.bitpix, SHORT_IMG);
      EXPECT_EQ(raw.bzero, 32768);
      EXPECT_GT(*std::max_element(raw.pixels.begin(), raw.pixels.end()), 32768);
      EXPECT_EQ(raw.position, frame->facts.position_steps);
      EXPECT_EQ(raw.temperature, frame->facts.temperature_c);
      EXPECT_EQ(raw.gain, frame->facts.gain_e_per_adu);
      EXPECT_EQ(raw.date, frame->facts.time_utc);
      EXPECT_EQ(raw.filter, frame->facts.filter);
      EXPECT_EQ(raw.aperture, frame->facts.aperture_mm);
      EXPECT_EQ(raw.temperature, made.temperatures_c[k]);
    }
  }
  EXPECT_EQ(read_raw(folder_ / "frame_00.fits.fz").date, "2027-02-03T20:11:05.000");
  EXPECT_EQ(read_raw(folder_ / "frame_02.fits.fz").date, "2027-02-03T20:11:19.000");
  // With force the uncompressed frames of the older run went with their truth.
  EXPECT_FALSE(fs::exists(folder_ / "frame_00.fits"));
}

TEST_F(RenderRun, TruthIsBesideTheFramesAndSaysWhatTheCallSays) {
  const auto truth = render_run(options(), folder_.string());
  ASSERT_TRUE(truth.has_value());
  const auto json = nlohmann::json::parse(text_of("truth.json"));
  EXPECT_EQ(json["schema"], "starwaist/truth/1");
  EXPECT_EQ(json["best_focus_steps"], truth->best_focus_steps);
  EXPECT_EQ(json["frames"].size(), 3U);
  EXPECT_EQ(json["frames"][1]["hfr_px"], truth->frames[1].hfr_px);
  EXPECT_EQ(json["frames"][1]["file"], "frame_01.fits");
  EXPECT_EQ(json["stars"].size(), 12U);
  EXPECT_EQ(json["stars"][3]["electrons"], truth->stars[3].electrons);
  EXPECT_EQ(json["options"]["seeing_profile"], "moffat");
  EXPECT_EQ(json["options"]["aberrations"]["coma_w131_waves"], 0.0);
  EXPECT_EQ(json["options"]["seed"], 1);
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_), fs::directory_iterator{}), 4);
}

TEST_F(RenderRun, TheSameSeedWritesTheSameBytes) {
  RenderOptions made = options();
  made.tile_compressed = true;
  ASSERT_TRUE(render_run(made, folder_.string()).has_value());
  const std::string frame = text_of("frame_01.fits.fz");
  const std::string truth = text_of("truth.json");
  ASSERT_TRUE(render_run(made, folder_.string(), true).has_value());
  EXPECT_EQ(text_of("frame_01.fits.fz"), frame);
  EXPECT_EQ(text_of("truth.json"), truth);
}

TEST_F(RenderRun, AFolderThatIsNotEmptyIsRefusedWithoutForce) {
  fs::create_directories(folder_);
  std::ofstream(folder_ / "notes.txt") << "mine";
  const auto refused = render_run(options(), folder_.string());
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().code, ErrorCode::cannot_write);
  EXPECT_NE(refused.error().text().find("--force"), std::string::npos);
  EXPECT_FALSE(fs::exists(folder_ / "frame_00.fits"));
  ASSERT_TRUE(render_run(options(), folder_.string(), true).has_value());
  EXPECT_EQ(text_of("notes.txt"), "mine");
}

TEST_F(RenderRun, AFileOrAFailureLeavesNothingBehind) {
  std::ofstream(folder_) << "a file";
  const auto refused = render_run(options(), folder_.string(), true);
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().code, ErrorCode::cannot_write);
  fs::remove(folder_);
  // A folder in the way of the last frame.
  fs::create_directories(folder_ / "frame_02.fits" / "inside");
  const auto failed = render_run(options(), folder_.string(), true);
  ASSERT_FALSE(failed.has_value());
  EXPECT_EQ(failed.error().code, ErrorCode::cannot_write);
  EXPECT_NE(failed.error().message.find("frame_02.fits"), std::string::npos);
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_), fs::directory_iterator{}), 1);
}

TEST_F(RenderRun, BracketsAndColonsInAFolderAreLetters) {
  const fs::path odd = folder_ / "night [1] 20:11";
  ASSERT_TRUE(render_run(options(), odd.string()).has_value());
  EXPECT_TRUE(fs::exists(odd / "frame_00.fits"));
}

}  // namespace
}  // namespace starwaist
