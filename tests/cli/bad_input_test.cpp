// Input that cannot serve, through the whole program: one clear line, the right status, no file
// changed.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <limits>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "starwaist/report.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using testing::HasSubstr;
using testing::StartsWith;
using testing_support::Answer;
using testing_support::call;
using testing_support::fits_header;
using testing_support::fits_image;
using testing_support::read;
using testing_support::Words;
using testing_support::write;

constexpr int kWidth = 120;
constexpr int kHeight = 90;

// Sky noise with nothing else: a frame that can be measured and has no star.
std::vector<std::uint16_t> noise_pixels() {
  std::mt19937 random(5);
  std::vector<std::uint16_t> pixels(static_cast<std::size_t>(kWidth) * kHeight);
  for (std::uint16_t& pixel : pixels) pixel = static_cast<std::uint16_t>(900 + random() % 64);
  return pixels;
}

std::string of_one_value(int value) {
  return fits_image(kWidth, kHeight,
                    std::vector<std::uint16_t>(static_cast<std::size_t>(kWidth) * kHeight,
                                               static_cast<std::uint16_t>(value)),
                    {{"FOCUSPOS", "5000"}});
}

// 32-bit floats, all NaN (big-endian 7F C0 00 00).
std::string all_nan() {
  std::string data;
  for (int i = 0; i < kWidth * kHeight; ++i) data += std::string("\x7F\xC0\x00\x00", 4);
  return fits_header({{"BITPIX", "-32"},
                      {"NAXIS", "2"},
                      {"NAXIS1", std::to_string(kWidth)},
                      {"NAXIS2", std::to_string(kHeight)},
                      {"FOCUSPOS", "5000"}}) +
         testing_support::padded_block(std::move(data), '\0');
}

// One folder for all tests: `good` holds a small rendered run, `bad` one bad file of each kind.
class BadInput : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    folder().emplace();
    ASSERT_EQ(
        call({"render", "--output", in("good"), "--start", "4880", "--step", "40", "--points", "7",
              "--width-px", "400", "--height-px", "300", "--star-count", "40", "--quiet"})
            .status,
        0);
    fs::remove(in("good/truth.json"));
    fs::create_directory(in("bad"));
    const std::string whole = read(in("good/frame_03.fits"));
    write(in("bad/empty.fits"), "");
    write(in("bad/text.fits"), "position,hfr\n1,2\n");
    write(in("bad/truncated.fits"), whole.substr(0, whole.size() / 2));
    write(in("bad/header_only.fits"), fits_header({{"BITPIX", "16"}, {"NAXIS", "0"}}));
    write(in("bad/cube.fits"), fits_header({{"BITPIX", "8"},
                                            {"NAXIS", "3"},
                                            {"NAXIS1", "40"},
                                            {"NAXIS2", "24"},
                                            {"NAXIS3", "3"}}) +
                                   std::string(2880, 'x'));
    write(in("bad/nan.fits"), all_nan());
    write(in("bad/constant.fits"), of_one_value(1000));
    write(in("bad/saturated_whole.fits"), of_one_value(65535));
    fs::create_symlink(in("nowhere"), in("bad/dangling.fits"));
    const std::string packed = read(STARWAIST_SOURCE_DIR "/demo-frames/frame_05.fits.fz");
    write(in("bad/truncated.fits.fz"), packed.substr(0, packed.size() / 2));
    fs::copy_file(in("good/frame_03.fits"), in("zipped.fits"));
    ASSERT_EQ(std::system(("gzip '" + in("zipped.fits") + "'").c_str()), 0);
    const std::string zipped = read(in("zipped.fits.gz"));
    write(in("bad/truncated.fits.gz"), zipped.substr(0, zipped.size() / 2));
    if (geteuid() != 0) {  // root reads everything
      write(in("bad/unreadable.fits"), whole);
      fs::permissions(in("bad/unreadable.fits"), fs::perms::none);
    }
  }
  static void TearDownTestSuite() { folder().reset(); }
  static std::optional<testing_support::TemporaryFolder>& folder() {
    static std::optional<testing_support::TemporaryFolder> shared;
    return shared;
  }
  static std::string in(const std::string& name) { return folder()->in(name); }
  static std::vector<fs::path> bad_files() {
    std::vector<fs::path> files;
    for (const auto& entry : fs::directory_iterator(in("bad"))) files.push_back(entry.path());
    std::sort(files.begin(), files.end());
    return files;
  }
};

// One line: who speaks, the file, what is wrong with it, a second sentence on what to do.
void expect_one_clear_line(const std::string& err, const std::string& named) {
  EXPECT_THAT(err, StartsWith("starwaist: "));
  EXPECT_THAT(err, HasSubstr(named));
  EXPECT_EQ(std::count(err.begin(), err.end(), '\n'), 1) << err;
  const auto sentence_end = err.find(". ");
  ASSERT_NE(sentence_end, std::string::npos) << err;
  EXPECT_GT(err.size() - sentence_end, 12U) << err;
}

TEST_F(BadInput, AloneEndsWithThreeAndOneClearLine) {
  ASSERT_GE(bad_files().size(), 11U);
  for (const fs::path& file : bad_files()) {
    for (const std::string command : {"measure", "fit"}) {
      const Answer answer = call({command, file.string(), "--json", "-"});
      EXPECT_EQ(answer.status, 3) << command << " " << file << answer.out;
      EXPECT_EQ(answer.out, "");
      expect_one_clear_line(answer.err, file.filename().string());
    }
  }
}

TEST_F(BadInput, AmongGoodFramesIsNamedAndSkippedAndNothingIsWrittenTo) {
  std::map<fs::path, std::string> before;
  Words words = {"fit", in("good")};
  for (const fs::path& file : bad_files()) words.push_back(file.string());
  // The dangling link is refused as a name that does not exist; a folder that holds it passes it.
  words.erase(std::remove(words.begin(), words.end(), in("bad/dangling.fits")), words.end());
  for (const auto& name : {"good", "bad"}) {
    for (const auto& entry : fs::directory_iterator(in(name))) before[entry] = read(entry);
  }
  words.insert(words.end(),
               {"--json", "-", "--f-number", "5", "--pixel-um", "3.76", "--um-per-step", "2"});
  const Answer answer = call(words);
  EXPECT_EQ(answer.status, 0) << answer.err;
  const Json fit = Json::parse(answer.out);
  EXPECT_EQ(fit["points"].size(), 7U);
  EXPECT_EQ(fit["skipped"].size(), bad_files().size() - 1);
  std::vector<SkippedFile> skipped;
  for (const auto& one : fit["skipped"]) {
    skipped.push_back({one["file"], {one["reason_code"], one["reason"]}});
    EXPECT_GT(skipped.back().reason.text.size(), 20U);
  }
  for (const std::string& line : reason_lines(skipped)) EXPECT_THAT(answer.err, HasSubstr(line));
  for (const auto& [file, bytes] : before) EXPECT_EQ(read(file), bytes) << file;
}

TEST_F(BadInput, AFactIsTakenFromTheKeywordThatIsNamedForIt) {
  fs::create_directory(in("named"));
  write(in("named/a.fits"),
        fits_image(kWidth, kHeight, noise_pixels(), {{"FOCX", "5010"}, {"WHEEL", "'Ha'"}}));
  write(in("named.conf"), "keyword=[\"position=FOCX\", \"filter=WHEEL\"]\n");
  const std::vector<Words> ways = {{"--keyword", "position=FOCX", "--keyword", "Filter=WHEEL"},
                                   {"--position-key", "FOCX", "--filter-key", "WHEEL"},
                                   {"--config", in("named.conf")}};
  for (const Words& way : ways) {
    Words words = {"measure", in("named"), "--json", "-"};
    words.insert(words.end(), way.begin(), way.end());
    const Answer answer = call(words);
    ASSERT_EQ(answer.status, 0) << answer.err;
    const Json frame = Json::parse(answer.out)["frames"][0];
    EXPECT_EQ(frame["position_steps"], 5010) << way.front();
    EXPECT_EQ(frame["filter"], "Ha") << way.front();
  }
  for (const char* wrong : {"place=FOCX", "position", "position="}) {
    const Answer answer = call({"measure", in("named"), "--keyword", wrong});
    EXPECT_EQ(answer.status, 2) << wrong;
    EXPECT_THAT(answer.err, HasSubstr("--keyword")) << wrong;
  }
}

TEST_F(BadInput, FramesWithoutAPositionCanBeMeasuredAndNotFitted) {
  fs::create_directory(in("unplaced"));
  write(in("unplaced/a_77.fits"), fits_image(kWidth, kHeight, noise_pixels()));
  EXPECT_EQ(call({"measure", in("unplaced")}).status, 0);
  const Answer fit = call({"fit", in("unplaced"), "--json", "-"});
  EXPECT_EQ(fit.status, 3);
  expect_one_clear_line(fit.err, "a_77.fits");
  EXPECT_THAT(fit.err, HasSubstr("--position-key"));
  const Answer wrong_key = call({"fit", in("unplaced"), "--position-key", "FOCX"});
  EXPECT_EQ(wrong_key.status, 3);
  EXPECT_THAT(wrong_key.err, HasSubstr("FOCX"));
  // With a position but no star there is nothing to fit: an answer, and not a trusted one.
  const Answer named =
      call({"fit", in("unplaced"), "--position-from-name", "a_([0-9]+)", "--json", "-"});
  EXPECT_EQ(named.status, 1) << named.err;
  const Json json = Json::parse(named.out);
  EXPECT_TRUE(json["best_focus_steps"].is_null());
  EXPECT_EQ(json["points"][0]["position_steps"], 77);
  EXPECT_EQ(json["points"][0]["used"], false);
}

TEST_F(BadInput, AFolderWithoutFramesEndsWithThree) {
  fs::create_directory(in("none"));
  write(in("none/notes.txt"), "clouds");
  for (const std::string command : {"measure", "fit"}) {
    const Answer answer = call({command, in("none")});
    EXPECT_EQ(answer.status, 3);
    expect_one_clear_line(answer.err, "none");
  }
}

TEST_F(BadInput, OneFrameIsAnsweredAndUnusable) {
  const Answer answer = call({"fit", in("good/frame_03.fits"), "--json", "-"});
  EXPECT_EQ(answer.status, 1);
  const Json fit = Json::parse(answer.out);
  EXPECT_EQ(fit["verdict"], "unusable");
  EXPECT_TRUE(fit["best_focus_steps"].is_null());
  EXPECT_FALSE(fit["reasons"].empty());
  EXPECT_EQ(call({"measure", in("good/frame_03.fits")}).status, 0);
}

TEST_F(BadInput, StarsSaturatedThroughoutAreMeasuredWithoutASize) {
  ASSERT_EQ(call({"render",      "--output",
                  in("clipped"), "--start",
                  "4880",        "--step",
                  "40",          "--points",
                  "7",           "--width-px",
                  "300",         "--height-px",
                  "240",         "--star-count",
                  "12",          "--brightest-electrons",
                  "4e7",         "--faintest-electrons",
                  "3e7",         "--quiet"})
                .status,
            0);
  const Answer measured = call({"measure", in("clipped"), "--json", "-"});
  ASSERT_EQ(measured.status, 0) << measured.err;
  const Json middle = Json::parse(measured.out)["frames"][3];
  EXPECT_TRUE(middle["hfr_px"].is_null()) << middle["hfr_px"];
  EXPECT_EQ(middle["star_count"], 0);
  EXPECT_GE(middle["saturated_count"], 6);
  const Answer fit = call({"fit", in("clipped"), "--json", "-"});
  EXPECT_EQ(fit.status, 1) << fit.out;
  EXPECT_NE(Json::parse(fit.out)["verdict"], "trusted");
}

TEST_F(BadInput, RowsOfTextOrNanAreSkippedByLine) {
  const std::string rows =
      "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n5000,2.00,0.02\n"
      "5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n";
  write(in("rows.csv"), rows + "5110,nan,0.02\nhere,2.9,0.02\n5120,,\n");
  const Answer answer = call({"fit", in("rows.csv"), "--json", "-"});
  EXPECT_EQ(answer.status, 0) << answer.err;
  const Json fit = Json::parse(answer.out);
  EXPECT_EQ(fit["points"].size(), 7U);
  ASSERT_EQ(fit["skipped"].size(), 3U);
  EXPECT_EQ(fit["skipped"][1]["file"], "rows.csv line 10");
  EXPECT_THAT(answer.err, HasSubstr("rows.csv line 9"));
}

TEST_F(BadInput, TablesThatCannotServeEndWithThree) {
  const std::map<std::string, std::string> tables = {
      {"empty.csv", ""},
      {"no_size.csv", "position,stars\n1,2\n"},
      {"no_position.csv", "hfr\n2\n"},
      {"no_row.csv", "position,hfr\n"},
      {"words.csv", "position,hfr\nfar,wide\n"},
      {"open_quote.csv", "position,hfr\n1,\"2\n2,3\n3,4\n"},
      {"binary.csv", std::string("position,hfr\n\0\0", 15)},
  };
  for (const auto& [name, text] : tables) {
    write(in(name), text);
    const Answer answer = call({"fit", in(name), "--json", "-"});
    EXPECT_EQ(answer.status, 3) << name << answer.out;
    EXPECT_EQ(answer.out, "");
    expect_one_clear_line(answer.err, name);
  }
  EXPECT_THAT(call({"fit", in("open_quote.csv")}).err, HasSubstr("line 2"));
  EXPECT_THAT(call({"fit", in("no_size.csv")}).err, HasSubstr("'stars'"));  // what there is
}

TEST_F(BadInput, AFrameNamedTwiceCountsOnce) {
  const Answer answer = call({"fit", in("good"), in("good/frame_03.fits"),
                              in("bad/../good/frame_02.fits"), "--json", "-"});
  EXPECT_EQ(Json::parse(answer.out)["points"].size(), 7U) << answer.err;
}

}  // namespace
}  // namespace starwaist
