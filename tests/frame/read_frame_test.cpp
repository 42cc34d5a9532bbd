// Files of other programs, header facts and bad input.
#include <fitsio.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <random>
#include <string>
#include <vector>

#include "starwaist/frame.h"
#include "support/analytic_stars.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

class ReadFrame : public testing::Test {
 protected:
  [[nodiscard]] std::string path(const std::string& name) const { return folder_.in(name); }
  std::string write(const std::string& name, const std::string& bytes) const {
    return folder_.write(name, bytes);
  }

  testing_support::TemporaryFolder folder_;
};

// One header card and a whole header of 2880-byte blocks (FITS 4.0 section 3.3).
std::string card(const std::string& key, const std::string& value) {
  std::string text = key;
  text.resize(8, ' ');
  text += "= " + value;
  text.resize(80, ' ');
  return text;
}

std::string header(const std::vector<std::pair<std::string, std::string>>& cards) {
  std::string text = card("SIMPLE", "T");
  for (const auto& [key, value] : cards) text += card(key, value);
  std::string end = "END";
  end.resize(80, ' ');
  text += end;
  text.resize((text.size() + 2879) / 2880 * 2880, ' ');
  return text;
}

using Cards = std::vector<std::pair<std::string, std::string>>;

Cards small_image(const Cards& more = {}) {
  Cards cards{{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "20"}, {"NAXIS2", "10"}};
  cards.insert(cards.end(), more.begin(), more.end());
  return cards;
}

std::string small_file(const Cards& more = {}) {
  return header(small_image(more)) + std::string(2880, '\0');
}

TEST_F(ReadFrame, FilesOfAstropyAndFpackHaveEqualPixels) {
  const std::string python = "/usr/bin/python3";
  if (std::system(
          (python + " -c 'import astropy' 2>/dev/null && command -v fpack >/dev/null").c_str()) !=
      0) {
    GTEST_SKIP() << "Astropy (package python3-astropy) or fpack (libcfitsio-bin) is not installed";
  }
  const std::string script = STARWAIST_SOURCE_DIR "/tests/frame/write_with_astropy.py";
  ASSERT_EQ(std::system(
                (python + " -W ignore '" + script + "' '" + folder_.path().string() + "'").c_str()),
            0);
  int files = 0;
  for (const auto& entry : fs::directory_iterator(folder_.path())) {
    if (entry.path().extension() != ".raw") continue;
    const std::string file = entry.path().string().substr(0, entry.path().string().size() - 4);
    const auto frame = read_frame(file);
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    const std::string raw = testing_support::bytes_of(entry.path().string());
    std::vector<double> expected(raw.size() / sizeof(double));
    std::copy(raw.begin(), raw.end(), reinterpret_cast<char*>(expected.data()));
    const int width = frame->pixels.width_px();
    ASSERT_EQ(expected.size(), static_cast<std::size_t>(width) *
                                   static_cast<std::size_t>(frame->pixels.height_px()));
    int different = 0;
    for (std::size_t i = 0; i < expected.size(); ++i) {
      const double value =
          frame->pixels.at(static_cast<int>(i) % width, static_cast<int>(i) / width);
      different += value == expected[i] || (std::isnan(value) && std::isnan(expected[i])) ? 0 : 1;
    }
    EXPECT_EQ(different, 0) << file;
    ++files;
  }
  EXPECT_GE(files, 45);
}

TEST_F(ReadFrame, HeaderFactsAndTheKeywordsTheyCameFrom) {
  const auto frame =
      read_frame(write("facts.fits", small_file({{"FOCUSPOS", "'5120 '"},
                                                 {"CCD-TEMP", "-10.0"},
                                                 {"FOCTEMP", "4.25"},
                                                 {"FILTER", "'L'"},
                                                 {"EXPTIME", "3.0D0"},
                                                 {"DATE-OBS", "'2027-02-03T20:11:05'"},
                                                 {"EGAIN", "0.8"},
                                                 {"GAIN", "120"},
                                                 {"XPIXSZ", "3.76"},
                                                 {"FOCALLEN", "480"}})));
  ASSERT_TRUE(frame.has_value()) << frame.error().text();
  EXPECT_EQ(frame->facts.position_steps, 5120.0);
  EXPECT_EQ(frame->facts.temperature_c, 4.25);
  EXPECT_EQ(frame->facts.filter, "L");
  EXPECT_EQ(frame->facts.exposure_s, 3.0);
  EXPECT_EQ(frame->facts.time_utc, "2027-02-03T20:11:05");
  EXPECT_EQ(frame->facts.gain_e_per_adu, 0.8);
  EXPECT_EQ(frame->facts.gain_setting, 120.0);
  EXPECT_EQ(frame->facts.pixel_um, 3.76);
  bool recorded = false;
  for (const auto& [fact, keyword] : frame->facts.keywords)
    recorded = recorded || keyword == "FOCUSPOS";
  EXPECT_TRUE(recorded);
}

TEST_F(ReadFrame, SensorTemperatureIsNeverTheTubes) {
  const auto frame =
      read_frame(write("t.fits", small_file({{"CCD-TEMP", "-10.0"}, {"SET-TEMP", "-10"}})));
  ASSERT_TRUE(frame.has_value());
  EXPECT_FALSE(frame->facts.temperature_c.has_value());
}

TEST_F(ReadFrame, NamesAreNamesAndNothingIsWritten) {
  const std::string odd = write("we[1:5,1:5]+x http.fits", small_file());
  const std::string before = testing_support::bytes_of(odd);
  const auto frame = read_frame(odd);
  ASSERT_TRUE(frame.has_value()) << frame.error().text();
  EXPECT_EQ(frame->pixels.width_px(), 20);
  EXPECT_EQ(testing_support::bytes_of(odd), before);
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_.path()), fs::directory_iterator{}), 1);
}

TEST_F(ReadFrame, PositionFromTheFileName) {
  FrameReadOptions options;
  options.position_from_name = "pos([0-9]+)";
  const auto frame = read_frame(write("run_pos5120.fits", small_file()), options);
  ASSERT_TRUE(frame.has_value());
  EXPECT_EQ(frame->facts.position_steps, 5120.0);
  options.position_from_name = "pos([0-9]+";
  const auto wrong = read_frame(path("run_pos5120.fits"), options);
  ASSERT_FALSE(wrong.has_value());
  EXPECT_EQ(wrong.error().code, ErrorCode::invalid_argument);
}

TEST_F(ReadFrame, BadFilesGetOneClearLine) {
  const std::string whole =
      header({{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "300"}, {"NAXIS2", "300"}}) +
      std::string(63 * 2880, 'x');
  const std::map<std::string, std::string> bad = {
      {"empty.fits", ""},
      {"text.fits", "this is no frame"},
      {"header_only.fits", header({{"BITPIX", "16"}, {"NAXIS", "0"}})},
      {"truncated.fits", whole.substr(0, whole.size() / 2)},
      {"cube.fits",
       header(
           {{"BITPIX", "16"}, {"NAXIS", "3"}, {"NAXIS1", "5"}, {"NAXIS2", "5"}, {"NAXIS3", "3"}}) +
           std::string(2880, '\0')},
      {"absurd.fits", header({{"BITPIX", "-64"},
                              {"NAXIS", "2"},
                              {"NAXIS1", "1000000000"},
                              {"NAXIS2", "1000000000"}}) +
                          std::string(2880, '\0')},
      {"negative.fits",
       header({{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "-5"}, {"NAXIS2", "5"}}) +
           std::string(2880, '\0')},
  };
  for (const auto& [name, bytes] : bad) {
    const auto frame = read_frame(write(name, bytes));
    ASSERT_FALSE(frame.has_value()) << name;
    EXPECT_EQ(frame.error().message.find(name), 0U) << frame.error().text();
    EXPECT_EQ(frame.error().text().find('\n'), std::string::npos) << name;
    EXPECT_GT(frame.error().text().size(), name.size() + 10) << name;
  }
  EXPECT_FALSE(read_frame(path("absent.fits")).has_value());
  EXPECT_FALSE(read_frame(folder_.path().string()).has_value());
}

TEST_F(ReadFrame, DamagedHeadersNeverCrash) {
  const std::string good = small_file({{"FOCUSPOS", "5120"},
                                       {"DATE-OBS", "'2027-02-03T20:11:05'"},
                                       {"BZERO", "32768"},
                                       {"BAYERPAT", "'RGGB'"}});
  std::mt19937_64 random(11);
  int readable = 0;
  for (int round = 0; round < 600; ++round) {
    std::string bytes = good;
    for (int flip = 0; flip < 3; ++flip) bytes[random() % 2880] = static_cast<char>(random() % 256);
    readable += read_frame(write("damaged.fits", bytes)).has_value() ? 1 : 0;
  }
  EXPECT_GT(readable, 0);  // most damage falls on blanks
}

TEST_F(ReadFrame, RealFramesReadOrSayWhy) {
  const fs::path real = fs::path(STARWAIST_REAL_DATA_DIR) / "frames";
  if (!fs::exists(real)) GTEST_SKIP() << "real frames are not here: " << real;
  for (const auto& entry : fs::directory_iterator(real)) {
    const auto frame = read_frame(entry.path().string());
    EXPECT_TRUE(frame.has_value() || !frame.error().message.empty()) << entry.path();
  }
  const auto plain = read_frame((real / "ystar_0.5m_streak_trailed.fits").string());
  const auto tiled = read_frame((real / "ystar_0.5m_streak_trailed.fits.fz").string());
  ASSERT_TRUE(plain.has_value() && tiled.has_value());
  EXPECT_EQ(plain->facts.position_steps, 1899.0);
  for (int y = 0; y < plain->pixels.height_px(); ++y) {
    for (int x = 0; x < plain->pixels.width_px(); ++x) {
      ASSERT_EQ(plain->pixels.at(x, y), tiled->pixels.at(x, y)) << x << "," << y;
    }
  }
}

TEST(ColorChannel, KeepsAStarsLightAndSecondMoment) {
  for (const ColorChannel channel : {ColorChannel::red, ColorChannel::green, ColorChannel::blue}) {
    analytic::Image image(61, 61);
    const analytic::Gaussian star{2.0};
    analytic::draw(image, star, 30.2, 29.7, 1e4, 60);
    Frame frame = analytic::float_frame_of(image);
    frame.facts.bayer = BayerTile{};
    const Frame filled = color_channel(frame, channel);
    EXPECT_LT(filled.sample_fraction, 1.0);
    double light = 0;
    double moment = 0;
    for (int y = 0; y < 61; ++y) {
      for (int x = 0; x < 61; ++x) {
        const double v = filled.pixels.at(x, y);
        light += v;
        moment += v * ((x - 30.2) * (x - 30.2) + (y - 29.7) * (y - 29.7));
      }
    }
    // Sampling every second pixel leaves 1 % at this width (red and blue), less for green.
    EXPECT_NEAR(light / 1e4, 1, 0.01);
    EXPECT_NEAR(moment / light / (2 * (4.0 + 1.0 / 12)), 1, 0.015);
  }
}

}  // namespace
}  // namespace starwaist
