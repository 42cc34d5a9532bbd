// Files of other programs, header facts and bad input.
#include "frame/read_frame.h"

#include <fitsio.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <random>
#include <string>
#include <variant>
#include <vector>

#include "starwaist/frame.h"
#include "support/analytic_stars.h"
#include "support/fits_bytes.h"
#include "support/needed.h"
#include "support/raw_pixels.h"
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

using testing_support::Cards;
using testing_support::fits_header;

Cards small_image(const Cards& more = {}) {
  Cards cards{{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "20"}, {"NAXIS2", "10"}};
  cards.insert(cards.end(), more.begin(), more.end());
  return cards;
}

std::string small_file(const Cards& more = {}) {
  return fits_header(small_image(more)) + std::string(2880, '\0');
}

HeaderFacts facts_of(const Result<Frame>& frame) {
  EXPECT_TRUE(frame.has_value()) << (frame ? "" : frame.error().text());
  return frame ? frame->facts : HeaderFacts{};
}

TEST_F(ReadFrame, FilesOfAstropyAndFpackHaveEqualPixels) {
  const std::string python = "/usr/bin/python3";
  STARWAIST_NEEDS(
      std::system(
          (python + " -c 'import astropy' 2>/dev/null && command -v fpack >/dev/null").c_str()) ==
          0,
      "Astropy (package python3-astropy) or fpack (libcfitsio-bin) is not installed");
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
    EXPECT_EQ(testing_support::different_pixels(frame->pixels, entry.path().string()), 0) << file;
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

TEST_F(ReadFrame, UsualKeywordsCountInTheDocumentedOrder) {
  // The lists of frame.h, written out again.
  const std::vector<std::string> positions = {"FOCUSPOS", "FOCPOS",   "FOCUS",
                                              "FOCPOSN",  "CAMFOCUS", "TELFOCUS"};
  for (std::size_t i = 0; i < positions.size(); ++i) {
    Cards cards;  // last first, so that not the header's order decides
    for (std::size_t k = positions.size(); k-- > i;) {
      cards.emplace_back(positions[k], std::to_string(100 * (k + 1)));
    }
    const HeaderFacts facts = facts_of(read_frame(write("p.fits", small_file(cards))));
    EXPECT_EQ(facts.position_steps, 100.0 * static_cast<double>(i + 1)) << positions[i];
  }
  const HeaderFacts none = facts_of(read_frame(write("n.fits", small_file())));
  EXPECT_FALSE(none.position_steps || none.temperature_c || none.exposure_s || none.time_utc ||
               none.filter || none.pixel_um || none.bayer || none.gain_e_per_adu);
  const HeaderFacts other = facts_of(read_frame(write("o.fits", small_file({{"FOCUSPOS", "'none'"},
                                                                            {"FOCPOSN", "7.5"},
                                                                            {"PIXSIZE1", "2.4"},
                                                                            {"XBINNING", "2"},
                                                                            {"DATAMAX", "65535"},
                                                                            {"GAIN", "120"}}))));
  EXPECT_EQ(other.position_steps, 7.5);  // the first that is a number
  EXPECT_EQ(other.pixel_um, 4.8);
  EXPECT_EQ(other.saturation_adu, 65535.0);
  EXPECT_FALSE(other.gain_e_per_adu.has_value());  // GAIN may be the camera's own setting
}

TEST_F(ReadFrame, AKeywordThatIsNamedReplacesTheUsualOnes) {
  FrameReadOptions options;
  options.keywords = {{"position", "mykey"}};
  const std::string with =
      write("with_pos33.fits", small_file({{"FOCUSPOS", "5120"}, {"MYKEY", "77"}}));
  const std::string without = write("without_pos33.fits", small_file({{"FOCUSPOS", "5120"}}));
  EXPECT_EQ(facts_of(read_frame(with, options)).position_steps, 77.0);
  EXPECT_FALSE(facts_of(read_frame(without, options)).position_steps.has_value());
  options.position_from_name = "pos([0-9]+)";
  EXPECT_EQ(facts_of(read_frame(with, options)).position_steps, 77.0);
  EXPECT_EQ(facts_of(read_frame(without, options)).position_steps, 33.0);
}

TEST_F(ReadFrame, AnyFactIsTakenFromTheKeywordThatIsNamedForIt) {
  const std::string file = write("named.fits", small_file({{"MYPOS", "11"},
                                                           {"MYTEMP", "4.5"},
                                                           {"MYFILT", "'Ha'"},
                                                           {"MYEXP", "2.5"},
                                                           {"MYTIME", "59000.25"},
                                                           {"MYEGAIN", "0.8"},
                                                           {"MYGAIN", "120"},
                                                           {"MYNOISE", "1.6"},
                                                           {"MYSAT", "60000"},
                                                           {"MYPIX", "3.76"},
                                                           {"MYFOCAL", "800"},
                                                           {"MYAPER", "200"},
                                                           {"MYALT", "+45:30:00"},
                                                           {"MYBAYER", "'RGGB'"},
                                                           {"DATE-OBS", "'2027-02-03T20:11:05'"},
                                                           {"XPIXSZ", "9"},
                                                           {"DATAMAX", "65535"}}));
  FrameReadOptions options;
  options.keywords = {
      {"position", "MYPOS"},      {"temperature", "MYTEMP"},   {"filter", "MYFILT"},
      {"exposure", "MYEXP"},      {"time", "MYTIME"},          {"gain", "MYEGAIN"},
      {"gain-setting", "MYGAIN"}, {"read-noise", "MYNOISE"},   {"saturation", "MYSAT"},
      {"pixel", "MYPIX"},         {"focal-length", "MYFOCAL"}, {"aperture", "MYAPER"},
      {"altitude", "myalt"},      {"bayer", "MYBAYER"}};
  // None of the facts that can be named is left out here.
  ASSERT_EQ(options.keywords.size(), keyword_facts().size());
  const HeaderFacts facts = facts_of(read_frame(file, options));
  EXPECT_EQ(facts.position_steps, 11.0);
  EXPECT_EQ(facts.temperature_c, 4.5);
  EXPECT_EQ(facts.filter, "Ha");
  EXPECT_EQ(facts.exposure_s, 2.5);
  EXPECT_EQ(facts.time_utc, "2020-05-31T06:00:00.000");  // MJD 59000 is 2020-05-31
  EXPECT_EQ(facts.gain_e_per_adu, 0.8);
  EXPECT_EQ(facts.gain_setting, 120.0);
  EXPECT_EQ(facts.read_noise_e, 1.6);
  EXPECT_EQ(facts.saturation_adu, 60000.0);
  EXPECT_EQ(facts.pixel_um, 3.76);
  EXPECT_EQ(facts.focal_length_mm, 800.0);
  EXPECT_EQ(facts.aperture_mm, 200.0);
  EXPECT_EQ(facts.altitude_deg, 45.5);
  EXPECT_TRUE(facts.bayer.has_value());
  // Where the named keyword is missing, no other stands in for it.
  for (KeywordName& named : options.keywords) named.keyword = "NOSUCH";
  const HeaderFacts none = facts_of(read_frame(file, options));
  EXPECT_FALSE(none.time_utc || none.pixel_um || none.saturation_adu || none.bayer);
}

TEST_F(ReadFrame, MosaicLettersOffsetsAndRowOrder) {
  using enum ColorChannel;
  const auto tile = [&](const Cards& cards) {
    const HeaderFacts facts = facts_of(read_frame(write("b.fits", small_file(cards))));
    return facts.bayer ? std::vector<ColorChannel>(facts.bayer->tile, facts.bayer->tile + 4)
                       : std::vector<ColorChannel>();
  };
  using Tile = std::vector<ColorChannel>;
  EXPECT_EQ(tile({{"BAYERPAT", "'RGGB'"}}), (Tile{red, green, green, blue}));
  EXPECT_EQ(tile({{"BAYERPAT", "'bggr '"}}), (Tile{blue, green, green, red}));
  EXPECT_EQ(tile({{"BAYERPAT", "'GBRG'"}}), (Tile{green, blue, red, green}));
  EXPECT_EQ(tile({{"BAYERPAT", "'GRBG'"}}), (Tile{green, red, blue, green}));
  EXPECT_EQ(tile({{"BAYERPAT", "'RGGB'"}, {"XBAYROFF", "1"}}), (Tile{green, red, blue, green}));
  EXPECT_EQ(tile({{"BAYERPAT", "'RGGB'"}, {"YBAYROFF", "3"}}), (Tile{green, blue, red, green}));
  // Ten rows: the last one stored holds the letters' first row, so the first one holds the second.
  EXPECT_EQ(tile({{"BAYERPAT", "'RGGB'"}, {"ROWORDER", "'BOTTOM-UP'"}}),
            (Tile{green, blue, red, green}));
  EXPECT_EQ(tile({{"BAYERPAT", "'RGGB'"}, {"ROWORDER", "'TOP-DOWN'"}}),
            (Tile{red, green, green, blue}));
  for (const char* odd : {"'RGBG'", "'RGB'", "'RRGB'", "'MONO'", "5"}) {
    EXPECT_TRUE(tile({{"BAYERPAT", odd}}).empty()) << odd;
  }
}

TEST_F(ReadFrame, ExtremeScalingNeitherOverflowsNorInventsBlanks) {
  const auto frame = read_frame(write("zero.fits", small_file({{"BZERO", "1E300"}})));
  ASSERT_TRUE(frame.has_value()) << frame.error().text();
  EXPECT_EQ(frame->pixels.at(3, 3), 1e300);
  std::vector<float> row(20);
  frame->pixels.read_row(3, 0, row);
  for (const float value : row) EXPECT_TRUE(std::isnan(value));  // no float holds it
  for (const char* blank : {"9223372036854775807", "-9223372036854775808", "65536", "-32769"}) {
    const auto read = read_frame(write("blank.fits", small_file({{"BLANK", blank}})));
    ASSERT_TRUE(read.has_value()) << blank;
    EXPECT_EQ(read->pixels.at(3, 3), 0.0) << blank;
  }
  const auto blanked = read_frame(write("blank.fits", small_file({{"BLANK", "0"}})));
  ASSERT_TRUE(blanked.has_value());
  EXPECT_TRUE(std::isnan(blanked->pixels.at(3, 3)));
}

// Truth: the bytes as the standard has them (tests/support/fits_bytes.h) and CFITSIO's own reading.
TEST_F(ReadFrame, ThreadsShareAFrameWithoutATrace) {
  constexpr int kWidth = 1201;
  constexpr int kHeight = 1402;  // three strips and a part
  std::vector<std::uint16_t> pixels(std::size_t{kWidth} * kHeight);
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    pixels[i] = static_cast<std::uint16_t>(i * 7919);
  }
  const std::string file =
      write("shared.fits", testing_support::fits_image(kWidth, kHeight, pixels));
  fitsfile* handle = nullptr;
  int status = 0;
  std::vector<std::uint16_t> by_cfitsio(pixels.size());
  fits_open_diskfile(&handle, file.c_str(), READONLY, &status);
  fits_read_img(handle, TUSHORT, 1, static_cast<LONGLONG>(pixels.size()), nullptr,
                by_cfitsio.data(), nullptr, &status);
  fits_close_file(handle, &status);
  ASSERT_EQ(status, 0);
  EXPECT_EQ(by_cfitsio, pixels);
  for (const int threads : {1, 2, 5}) {
    const auto frame = frame_detail::read_frame(file, {}, threads);
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_EQ(std::get<std::vector<std::uint16_t>>(frame->pixels.storage()), pixels) << threads;
    EXPECT_EQ(frame->pixels.at(0, 1), pixels[kWidth]);
  }
}

TEST_F(ReadFrame, PackedPixelsThatDoNotMatchTheirChecksumAreRefused) {
  STARWAIST_NEEDS(std::system("command -v fpack >/dev/null") == 0,
                  "fpack (package libcfitsio-bin) is not installed");
  std::mt19937 random(5);
  std::vector<std::uint16_t> noise(200 * 150);
  for (std::uint16_t& pixel : noise) pixel = static_cast<std::uint16_t>(900 + random() % 64);
  const std::string plain = write("noise.fits", testing_support::fits_image(200, 150, noise));
  for (const std::string option : {"-r", "-g", "-h"}) {
    const std::string packed = path("packed" + option + ".fits.fz");
    ASSERT_EQ(std::system(("fpack " + option + " -O '" + packed + "' '" + plain + "'").c_str()), 0);
    const std::string bytes = testing_support::bytes_of(packed);
    ASSERT_TRUE(read_frame(packed).has_value());
    std::string damaged = bytes;  // the end of the file is tiles, not header
    for (std::size_t i = bytes.size() - 6000; i < bytes.size() - 5800; ++i) damaged[i] ^= 0x55;
    const auto frame = read_frame(write("damaged.fits.fz", damaged));
    ASSERT_FALSE(frame.has_value()) << option;
    EXPECT_NE(frame.error().text().find("checksum"), std::string::npos) << frame.error().text();
    const auto half = read_frame(write("half.fits.fz", bytes.substr(0, bytes.size() / 2)));
    ASSERT_FALSE(half.has_value()) << option;
    EXPECT_EQ(half.error().message.find("half.fits.fz"), 0U);
  }
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
      fits_header({{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "300"}, {"NAXIS2", "300"}}) +
      std::string(63 * 2880, 'x');
  const std::map<std::string, std::string> bad = {
      {"empty.fits", ""},
      {"text.fits", "this is no frame"},
      {"header_only.fits", fits_header({{"BITPIX", "16"}, {"NAXIS", "0"}})},
      {"truncated.fits", whole.substr(0, whole.size() / 2)},
      {"cube.fits",
       fits_header(
           {{"BITPIX", "16"}, {"NAXIS", "3"}, {"NAXIS1", "5"}, {"NAXIS2", "5"}, {"NAXIS3", "3"}}) +
           std::string(2880, '\0')},
      {"absurd.fits", fits_header({{"BITPIX", "-64"},
                                   {"NAXIS", "2"},
                                   {"NAXIS1", "1000000000"},
                                   {"NAXIS2", "1000000000"}}) +
                          std::string(2880, '\0')},
      {"negative.fits",
       fits_header({{"BITPIX", "16"}, {"NAXIS", "2"}, {"NAXIS1", "-5"}, {"NAXIS2", "5"}}) +
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

// Truth: the first image with two axes as Astropy 5.2 reads it, and the focuser position of its
// headers (package python3-astropy; `fits.open(file)`, the mean over the pixels that have a value).
struct RealFrame {
  const char* file;
  int width_px;
  int height_px;
  double mean_adu;
  std::optional<double> position_steps;
};
constexpr RealFrame kRealFrames[] = {
    {"HATP-32171220013343.FITS", 650, 500, 374.15812, 2225.0},
    {"HATP-32171220020912.FITS", 650, 500, 362.91531692307694, 2225.0},
    {"HATP-32171220041512.FITS", 650, 500, 356.06041230769233, 2225.0},
    {"HATP-32171220071512.FITS", 650, 500, 366.9302030769231, 2225.0},
    {"decam_galaxy_tilecompressed.fits.fz", 280, 375, 195.49595194455102, {}},
    {"emmi_small_256.fits", 256, 256, 6887.265324354172, {}},
    {"hsc_cutout_200.fits", 200, 200, 8.65006101914756, {}},
    {"lco_1m_raw_mef.fits", 544, 522, 2804.155785158891, -0.0043325},
    {"lsst_afw_fpack.fits.fz", 512, 512, 24.59485626220703, {}},
    {"m51_galaxy_1987.fits", 512, 512, 108.3154067993164, {}},
    {"monet_grid_sim.fits", 512, 512, 24.59485626220703, {}},
    {"ystar_0.5m_streak_trailed.fits", 512, 512, 294.50592041015625, 1899.0},
    {"ystar_0.5m_streak_trailed.fits.fz", 512, 512, 294.50592041015625, 1899.0}};

TEST_F(ReadFrame, RealFramesAreReadAsAstropyReadsThem) {
  const fs::path real = fs::path(STARWAIST_REAL_DATA_DIR) / "frames";
  STARWAIST_NEEDS(fs::exists(real), "real frames are not here: " << real);
  for (const RealFrame& truth : kRealFrames) {
    const auto frame = read_frame((real / truth.file).string());
    ASSERT_TRUE(frame.has_value()) << frame.error().text();
    EXPECT_EQ(frame->pixels.width_px(), truth.width_px) << truth.file;
    EXPECT_EQ(frame->pixels.height_px(), truth.height_px) << truth.file;
    EXPECT_EQ(frame->facts.position_steps, truth.position_steps) << truth.file;
    double sum = 0;
    double count = 0;
    for (int y = 0; y < frame->pixels.height_px(); ++y) {
      for (int x = 0; x < frame->pixels.width_px(); ++x) {
        const double value = frame->pixels.at(x, y);
        if (std::isnan(value)) continue;
        sum += value;
        ++count;
      }
    }
    // Astropy scales 16-bit pixels (BSCALE) to floats of 32 bits, good to 6e-8 each.
    EXPECT_NEAR(sum / count, truth.mean_adu, 1e-8 * truth.mean_adu) << truth.file;
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

TEST(ColorChannel, KeepsTheSitesOfItsColourInEveryTile) {
  using enum ColorChannel;
  for (const BayerTile& tile :
       {BayerTile{{red, green, green, blue}}, BayerTile{{blue, green, green, red}},
        BayerTile{{green, red, blue, green}}, BayerTile{{green, blue, red, green}}}) {
    // Each colour's sites hold a level of their own; a plane that mixes colours would show it.
    analytic::Image image(13, 10);
    const auto level = [](ColorChannel channel) { return 100.0F * static_cast<float>(channel); };
    for (int y = 0; y < 10; ++y) {
      for (int x = 0; x < 13; ++x) image.at(x, y) = level(tile.tile[2 * (y % 2) + x % 2]);
    }
    for (const ColorChannel channel : {red, green, blue}) {
      Frame frame = analytic::float_frame_of(image);
      frame.facts.bayer = tile;
      const Frame filled = color_channel(frame, channel);
      for (int y = 0; y < 10; ++y) {
        for (int x = 0; x < 13; ++x) {
          // Sums of sixteenths of 100 and 200 are exact in a float but for the last bits.
          ASSERT_NEAR(filled.pixels.at(x, y), level(channel), 1e-4) << x << " " << y;
        }
      }
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
