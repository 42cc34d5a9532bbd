// Manifests: what a CSV says of frames.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "starwaist/run.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::ElementsAre;
using testing::HasSubstr;

class Manifests : public testing::Test {
 protected:
  std::string write(const std::string& name, const std::string& text) const {
    return folder_.write(name, text);
  }
  // Sky without a star, and a header with a position and a temperature of its own.
  std::string write_frame(const std::string& name, int position_steps) const {
    std::mt19937 random(5);
    std::vector<std::uint16_t> pixels(64 * 48);
    for (auto& pixel : pixels) pixel = static_cast<std::uint16_t>(900 + random() % 64);
    return write(name, testing_support::fits_image(64, 48, pixels,
                                                   {{"FOCUSPOS", std::to_string(position_steps)},
                                                    {"FOCTEMP", "7.5"},
                                                    {"FILTER", "'L'"}}));
  }
  static std::vector<std::string> names_of(const RunInput& input) {
    std::vector<std::string> names;
    for (const auto& frame : input.frames) names.push_back(fs::path(frame).filename().string());
    return names;
  }
  [[nodiscard]] std::string folder() const { return folder_.path().string(); }

  testing_support::TemporaryFolder folder_;
};

TEST_F(Manifests, GoBeforeHeadersWhereTheySayAnything) {
  for (int i = 1; i <= 3; ++i) write_frame("f" + std::to_string(i) + ".fits", 10 * i);
  write("frames.csv",
        "File,Position,Temperature,Filter,Exposure,Time\n"
        "f2.fits,250.5,-3.25,Ha,4,2027-02-03T20:11:05.5+01:00\nf3.fits,,,,,\n");
  const auto input = find_run_input({folder()});
  ASSERT_TRUE(input.has_value()) << input.error().text();
  EXPECT_THAT(names_of(*input), ElementsAre("f1.fits", "f2.fits", "f3.fits"));
  EXPECT_THAT(input->manifests, ElementsAre(folder_.in("frames.csv")));
  const auto run = measure_run(*input, {});
  ASSERT_TRUE(run.has_value()) << run.error().text();
  EXPECT_TRUE(run->skipped.empty());
  const FrameMeasurement& stated = run->frames[1].measurement;
  EXPECT_EQ(stated.position_steps, 250.5);
  EXPECT_EQ(stated.temperature_c, -3.25);
  EXPECT_EQ(stated.filter, "Ha");
  EXPECT_EQ(stated.exposure_s, 4.0);
  EXPECT_EQ(stated.time_utc, "2027-02-03T19:11:05.5");
  for (const std::size_t i : {0, 2}) {  // no row, and a row that says nothing
    const HeaderFacts& facts = run->frames[i].facts;
    EXPECT_EQ(facts.position_steps, 10.0 * (static_cast<double>(i) + 1));
    EXPECT_EQ(facts.temperature_c, 7.5);
    EXPECT_EQ(facts.filter, "L");
    EXPECT_FALSE(facts.exposure_s || facts.time_utc);
  }
}

TEST_F(Manifests, AloneStandForTheirFramesInTheOrderOfTheirRows) {
  fs::create_directory(folder_.in("frames"));
  for (const char* name : {"frames/a.tif", "frames/b.tif", "frames/c.tif"}) write(name, "x");
  for (const char* form :
       {"file,position\nframes/c.tif,1.5\nframes/a.tif,2\n",
        "\xEF\xBB\xBF\r\nposition;file\r\n1,5;frames/c.tif\r\n2;\"frames/a.tif\"\r\n",
        "file\tposition\nframes/c.tif\t1.5\nframes/../frames/a.tif\t2\n"}) {
    const auto input = find_run_input({write("m.csv", form)});
    ASSERT_TRUE(input.has_value()) << input.error().text();
    EXPECT_THAT(names_of(*input), ElementsAre("c.tif", "a.tif")) << form;
    EXPECT_FALSE(input->table.has_value());
    ASSERT_EQ(input->stated.size(), 2U);
    for (const auto& [file, facts] : input->stated) {
      EXPECT_EQ(facts.position_steps, fs::path(file).filename() == "c.tif" ? 1.5 : 2) << form;
    }
  }
  // So does a folder that holds nothing else.
  const auto input = find_run_input({folder()});
  ASSERT_TRUE(input.has_value()) << input.error().text();
  EXPECT_THAT(names_of(*input), ElementsAre("c.tif", "a.tif"));
}

TEST_F(Manifests, RowsThatCannotServeAreNamedByLine) {
  for (const char* name : {"f1.fits", "f2.fits", "f3.fits", "f4.fits"}) write(name, "x");
  const std::string manifest = write("m.csv",
                                     "file,position,temperature,exposure,time\n"
                                     "f1.fits,5O,1,1,\n"
                                     "f2.fits,20,warm,-1,yesterday\n"
                                     "absent.fits,30,,,\n"
                                     "f2.fits,40,,,\n"
                                     ",50,,,\n"
                                     "f3.fits,60,,,\n");
  for (const auto& inputs :
       {std::vector<std::string>{folder()}, {manifest}, {folder(), manifest}}) {
    const auto input = find_run_input(inputs);
    ASSERT_TRUE(input.has_value()) << input.error().text();
    if (inputs.front() == manifest) {
      EXPECT_THAT(names_of(*input), ElementsAre("f2.fits", "f3.fits"));
    } else {
      EXPECT_THAT(names_of(*input), ElementsAre("f2.fits", "f3.fits", "f4.fits"));
    }
    ASSERT_EQ(input->skipped.size(), 7U);
    struct Expected {
      std::string row;
      std::string words;
      std::string code;
    };
    const std::vector<Expected> expected = {
        {"m.csv line 2", "position '5O'", "value_not_understood"},
        {"m.csv line 3", "temperature 'warm'", "value_not_understood"},
        {"m.csv line 3", "exposure '-1'", "value_not_understood"},
        {"m.csv line 3", "time 'yesterday'", "value_not_understood"},
        {"m.csv line 4", "'absent.fits'", "file_not_found"},
        {"m.csv line 5", "line 3", "row_repeats_file"},
        {"m.csv line 6", "names no file", "row_names_no_file"}};
    for (std::size_t i = 0; i < expected.size(); ++i) {
      EXPECT_EQ(input->skipped[i].file, expected[i].row);
      EXPECT_THAT(input->skipped[i].reason.text, HasSubstr(expected[i].words));
      EXPECT_EQ(input->skipped[i].reason.code, expected[i].code);
    }
    const auto& facts = input->stated.at(fs::canonical(folder_.in("f2.fits")).string());
    EXPECT_EQ(facts.position_steps, 20.0);  // the first row counts
    EXPECT_FALSE(facts.temperature_c || facts.exposure_s || facts.time_utc);
  }
}

TEST_F(Manifests, FromAnotherFolderNameGivenFramesByTheirBareNames) {
  fs::create_directories(folder_.in("frames"));
  fs::create_directories(folder_.in("lists"));
  write("frames/f1.tif", "x");
  const std::string manifest = write("lists/m.csv", "file,position\nf1.tif,10\n");
  const auto input = find_run_input({folder_.in("frames"), manifest});
  ASSERT_TRUE(input.has_value()) << input.error().text();
  EXPECT_EQ(input->stated.size(), 1U);
  EXPECT_TRUE(input->skipped.empty());
}

TEST_F(Manifests, AreToldFromTables) {
  write("f1.fits", "x");
  for (const char* text : {"file,position,hfr\nf1.fits,1,2\n", "file,position,FWHM\nf1.fits,1,2\n",
                           "file,position_steps,hfr_px\nf1.fits,1,2\n", "position\n1\n"}) {
    const std::string csv = write("t.csv", text);
    const auto alone = find_run_input({csv});
    ASSERT_TRUE(alone.has_value()) << alone.error().text();
    EXPECT_EQ(alone->table, csv);
    const auto folder_input = find_run_input({folder()});
    ASSERT_TRUE(folder_input.has_value());
    EXPECT_TRUE(folder_input->manifests.empty());
    EXPECT_FALSE(find_run_input({folder_.in("f1.fits"), csv}).has_value());
  }
  // A column of sizes by another name: the user says that it is one.
  const std::string csv = write("t.csv", "file,Step,Half\nf1.fits,1,2\n");
  TableOptions options;
  options.columns = {{"hfr", "Half"}, {"position", "Step"}};
  EXPECT_EQ(find_run_input({csv}, options)->table, csv);
  options.columns = {{"position", "Step"}};
  const auto manifest = find_run_input({csv}, options);
  ASSERT_TRUE(manifest.has_value()) << manifest.error().text();
  EXPECT_EQ(manifest->stated.begin()->second.position_steps, 1.0);
  options.columns = {{"position", "Stop"}};
  const auto wrong = find_run_input({csv}, options);
  ASSERT_FALSE(wrong.has_value());
  EXPECT_THAT(wrong.error().text(), HasSubstr("'Stop'"));
}

TEST_F(Manifests, ThatLeaveNoFrameAreRefusedWithTheReason) {
  for (const char* text : {"file,position\n", "file,position\nabsent.tif,1\n"}) {
    const auto input = find_run_input({write("m.csv", text)});
    ASSERT_FALSE(input.has_value()) << text;
    EXPECT_EQ(input.error().message.find("m.csv: "), 0U) << input.error().text();
    EXPECT_FALSE(input.error().remedy.empty());
  }
  write("f1.tif", "x");
  write("n.csv", "file,position\nf1.tif,1\n");
  const auto two = find_run_input({folder()});
  ASSERT_FALSE(two.has_value());
  EXPECT_THAT(two.error().text(), HasSubstr("2 tables"));
}

TEST_F(Manifests, FiguresBesideFramesAreNotTaken) {
  write("curve.png", "x");
  write("f2.png", "x");
  EXPECT_EQ(find_run_input({folder()})->frames.size(), 2U);  // nothing else: then they are frames
  write("sizes.csv", "position,hfr\n1,2\n");
  EXPECT_EQ(find_run_input({folder()})->table, folder_.in("sizes.csv"));
  for (const char* name : {"f1.tif", "f1.fits"}) {
    const std::string frame = write(name, "x");
    EXPECT_THAT(names_of(*find_run_input({folder()})), ElementsAre(name));
    fs::remove(frame);
  }
  // Named by the user, a picture is a frame.
  EXPECT_THAT(names_of(*find_run_input({folder_.in("f2.png")})), ElementsAre("f2.png"));
}

}  // namespace
}  // namespace starwaist
