// Runs in TIFF, PNG and raw files, through the whole program.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "cli/call_program.h"
#include "support/needed.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using testing::HasSubstr;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::Words;
using testing_support::write;

// What FITS headers say and pictures do not.
const Words kPictureRig = {"--saturation-adu", "65535", "--gain-e-per-adu", "1", "--f-number", "5",
                           "--pixel-um",       "3.76",  "--json",           "-"};

// `run`: rendered frames in FITS. `pictures`: the same pixels as TIFF and PNG with a manifest.
// `raw` and `mosaic`: the same pixels taken for those of a mosaic, in DNG and in FITS.
class PictureRun : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    folder().emplace();
    if (std::system("/usr/bin/python3 -c 'import PIL, astropy' 2>/dev/null") != 0) return;
    ASSERT_EQ(
        call({"render", "--output", in("run"), "--start", "4880", "--step", "40", "--points", "7",
              "--width-px", "400", "--height-px", "300", "--star-count", "40", "--quiet"})
            .status,
        0);
    for (const char* name : {"pictures", "raw", "mosaic"}) fs::create_directory(in(name));
    ASSERT_EQ(std::system(("/usr/bin/python3 -W ignore '" STARWAIST_SOURCE_DIR
                           "/tests/cli/write_as_pictures.py' '" +
                           in("run") + "' '" + in("pictures") + "' '" + in("raw") + "' '" +
                           in("mosaic") + "'")
                              .c_str()),
              0);
    const Answer measured = call({"measure", in("run"), "--json", "-"});
    std::string manifest = "file,position,temperature,time\n";
    const Json json = Json::parse(measured.out);
    for (const Json& frame : json["frames"]) {
      std::string name = frame["file"];
      name.replace(name.find(".fits"), 5, ".tif");
      if (!fs::exists(in("pictures/" + name))) name.replace(name.find(".tif"), 4, ".png");
      manifest += name + "," + std::to_string(frame["position_steps"].get<double>()) + ",4.5," +
                  frame["time_utc"].get<std::string>() + "\n";
    }
    write(in("pictures/frames.csv"), manifest);
  }
  static void TearDownTestSuite() { folder().reset(); }
  void SetUp() override {
    STARWAIST_NEEDS(fs::exists(in("pictures")), "Astropy or Pillow is not installed");
  }
  static std::optional<testing_support::TemporaryFolder>& folder() {
    static std::optional<testing_support::TemporaryFolder> shared;
    return shared;
  }
  static std::string in(const std::string& name) { return folder()->in(name); }
};

TEST_F(PictureRun, HasTheBestFocusOfTheSamePixelsInFits) {
  Words of_fits = {"fit", in("run")};
  Words of_pictures = {"fit", in("pictures/frames.csv")};
  of_fits.insert(of_fits.end(), kPictureRig.begin(), kPictureRig.end());
  of_pictures.insert(of_pictures.end(), kPictureRig.begin(), kPictureRig.end());
  const Json fits = Json::parse(call(of_fits).out);
  const Answer answer = call(of_pictures);
  ASSERT_LE(answer.status, 1) << answer.err;
  EXPECT_EQ(answer.err, "");
  const Json pictures = Json::parse(answer.out);
  ASSERT_EQ(pictures["points"].size(), 7U);
  for (std::size_t i = 0; i < 7; ++i) {
    EXPECT_EQ(pictures["points"][i]["position_steps"], fits["points"][i]["position_steps"]);
    EXPECT_NEAR(pictures["points"][i]["size_px"], fits["points"][i]["size_px"], 1e-9);
    EXPECT_EQ(pictures["points"][i]["temperature_c"], 4.5);
  }
  EXPECT_NEAR(pictures["best_focus_steps"], fits["best_focus_steps"], 1e-6);
}

TEST_F(PictureRun, InRawFilesIsMeasuredAsTheSameMosaicInFits) {
  Words of_fits = {"fit", in("mosaic")};
  Words of_raw = {"fit", in("raw"), "--position-from-name", "pos([0-9]+)"};
  of_fits.insert(of_fits.end(), kPictureRig.begin(), kPictureRig.end());
  of_raw.insert(of_raw.end(), kPictureRig.begin(), kPictureRig.end());
  const Answer answer = call(of_raw);
  ASSERT_LE(answer.status, 1) << answer.err;
  EXPECT_EQ(answer.err, "");
  const Json raw = Json::parse(answer.out);
  const Json fits = Json::parse(call(of_fits).out);
  ASSERT_EQ(raw["points"].size(), 7U);
  for (std::size_t i = 0; i < 7; ++i) {
    EXPECT_EQ(raw["points"][i]["position_steps"], fits["points"][i]["position_steps"]);
    EXPECT_NEAR(raw["points"][i]["size_px"], fits["points"][i]["size_px"], 1e-9);
  }
  EXPECT_NEAR(raw["best_focus_steps"], fits["best_focus_steps"], 1e-6);
}

TEST_F(PictureRun, OfAFolderOfFoldersIsAnsweredToo) {
  fs::create_directories(in("nights"));
  fs::copy_file(in("pictures/frame_00.png"), in("pictures/curve.png"));
  fs::create_directory_symlink(in("pictures"), in("nights/one"));
  write(in("pictures/frames.csv"),
        read(in("pictures/frames.csv")) + "gone.tif,1,,\nframe_00.png,x,,\n");
  const Answer answer = call({"fit", in("nights"), "--each", "--json", "-"});
  ASSERT_LE(answer.status, 1) << answer.err;
  const Json run = Json::parse(answer.out);
  // The folder holds TIFF files: of its PNG files those are frames that the manifest names.
  EXPECT_EQ(run["points"].size(), 7U);
  ASSERT_EQ(run["skipped"].size(), 2U);
  EXPECT_EQ(run["skipped"][0]["file"], "frames.csv line 9");
  EXPECT_THAT(answer.err, HasSubstr("gone.tif"));
}

TEST_F(PictureRun, ManifestsAndPicturesNamedAsInputAreNeverReplaced) {
  for (const char* name : {"frames.csv", "frame_01.tif", "frame_02.png"}) {
    const std::string before = read(in(std::string("pictures/") + name));
    const Answer answer =
        call({"measure", in("pictures/frames.csv"), "--json", in(std::string("pictures/") + name)});
    EXPECT_EQ(answer.status, 3) << name;
    EXPECT_EQ(read(in(std::string("pictures/") + name)), before);
  }
}

}  // namespace
}  // namespace starwaist
