// The program as a function: arguments in, streams and status out.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "support/fits_bytes.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using testing::AllOf;
using testing::EndsWith;
using testing::HasSubstr;
using testing::Not;
using testing::StartsWith;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::Words;
using testing_support::write;

// A folder with one small rendered run, made once for all tests.
class Program : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    folder().emplace();
    rendered() = call({"render", "--output", run(), "--start", "4880", "--step", "40", "--points",
                       "7", "--width-px", "400", "--height-px", "300", "--star-count", "40",
                       "--json", in("truth_again.json")});
    write(in("good.csv"),
          "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n5000,2.00,0.02\n"
          "5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n");
  }
  static void TearDownTestSuite() { folder().reset(); }
  static std::optional<testing_support::TemporaryFolder>& folder() {
    static std::optional<testing_support::TemporaryFolder> shared;
    return shared;
  }
  static fs::path root() { return folder()->path(); }
  static Answer& rendered() {
    static Answer answer;
    return answer;
  }
  static std::string in(const std::string& name) { return (root() / name).string(); }
  static std::string run() { return in("run"); }
  static Words rig() { return {"--f-number", "5", "--pixel-um", "3.76", "--um-per-step", "2"}; }
  static Words with(Words words, const Words& more) {
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
};

TEST_F(Program, RendersARunWithItsTruth) {
  EXPECT_EQ(rendered().status, 0) << rendered().err;
  EXPECT_TRUE(fs::exists(root() / "run" / "truth.json"));
  EXPECT_EQ(Json::parse(read(in("truth_again.json")))["best_focus_steps"], 5000.0);
}

TEST_F(Program, EachCommandHasHelpWithExamples) {
  const Answer top = call({"--help"});
  EXPECT_EQ(top.status, 0);
  for (const std::string command : {"measure", "fit", "render"}) {
    EXPECT_THAT(top.out, HasSubstr(command));
    const Answer help = call({command, "--help"});
    EXPECT_EQ(help.status, 0);
    EXPECT_EQ(help.err, "");
    EXPECT_THAT(help.out, AllOf(HasSubstr("Examples:\n  starwaist " + command),
                                HasSubstr("Exit status:"), HasSubstr("--config")));
  }
  EXPECT_THAT(call({"fit", "--help"}).out, HasSubstr("hyperbola, parabola or blur"));
  for (const std::string command : {"measure", "fit", "diagnose", "plan", "backlash", "watch",
                                    "drift", "night", "log", "field", "report", "render"}) {
    EXPECT_THAT(call({command, "--help"}).out, Not(testing::ContainsRegex("\\] \\[[0-9]")))
        << "a default shown twice";
  }
  EXPECT_THAT(call({"--version"}).out, StartsWith("starwaist "));
}

TEST_F(Program, WrongUsageEndsWithTwoAndOneLineThatNamesIt) {
  const std::vector<std::pair<Words, std::string>> cases = {
      {{}, "no command"},
      {{"fitt"}, "'fitt'"},
      {{"fit"}, "INPUT"},
      {{"fit", run(), "--modle", "x"}, "--modle"},
      {{"fit", run(), "--model", "cubic"}, "'cubic'"},
      {{"fit", run(), "--size", "area"}, "'area'"},
      {{"fit", run(), "--f-number", "0"}, "--f-number"},
      {{"fit", run(), "--f-number", "nan"}, "--f-number"},
      {{"fit", run(), "--f-number", "2,5"}, "--f-number"},
      {{"fit", run(), "--obstruction", "1"}, "--obstruction"},
      {{"fit", run(), "--threads", "-1"}, "--threads"},
      {{"fit", run(), "--threads", "1.5"}, "--threads"},
      {{"fit", run(), "--region", "1,2,3"}, "--region"},
      {{"fit", run(), "--region", "0,0,0,10"}, "--region"},
      {{"fit", run(), "--channel", "pink"}, "'pink'"},
      {{"fit", run(), "--plot", in("a.pdf")}, "a.pdf"},
      {{"fit", run(), "--column", "hfr"}, "hfr"},
      {{"fit", run(), "--column", "size=x"}, "size"},
      {{"fit", run(), "--position-from-name", "pos"}, "no group"},
      {{"fit", run(), "--position-from-name", "(["}, "regular expression"},
      {{"fit", run(), "--json", in("a.png"), "--plot", in("./a.png")}, "two outputs"},
      {{"measure", run(), "--json", "-", "--csv", "-"}, "standard output"},
      {{"render", "--output", in("new")}, "positions"},
      {{"fit", run(), "--config", in("no.ini")}, "no.ini"},
  };
  for (const auto& [words, named] : cases) {
    const Answer answer = call(words);
    EXPECT_EQ(answer.status, 2) << named << answer.err;
    EXPECT_EQ(answer.out, "") << named;
    EXPECT_THAT(answer.err, AllOf(StartsWith("starwaist: "), HasSubstr(named), EndsWith("\n")));
    EXPECT_EQ(std::count(answer.err.begin(), answer.err.end(), '\n'), 1) << answer.err;
  }
}

TEST_F(Program, ConfigurationServesAllCommands) {
  write(in("rig.conf"),
        "f-number = 5\npixel-um = 3.76\num-per-step = 1\npoints = 5\ncsv = other.csv\n");
  const Answer fit = call({"fit", in("good.csv"), "--config", in("rig.conf"), "--json", "-"});
  ASSERT_EQ(fit.status, 0) << fit.err << fit.out;
  const Json json = Json::parse(fit.out);
  // 4 lambda N^2 over um per step, 4 * 0.55 * 25 / 1.
  EXPECT_NEAR(json["critical_focus_zone_steps"], 55, 1e-9);
  EXPECT_EQ(json["rig"]["f_number"], 5.0);
  EXPECT_FALSE(fs::exists("other.csv"));
  const Answer over =
      call({"fit", in("good.csv"), "--config", in("rig.conf"), "--f-number", "10", "--json", "-"});
  EXPECT_NEAR(Json::parse(over.out)["critical_focus_zone_steps"], 220, 1e-9);
}

TEST_F(Program, ConfigurationWithAnUnknownKeyEndsWithTwo) {
  write(in("typo.ini"), "f-numbr = 5\n");
  const Answer typo = call({"fit", in("good.csv"), "--config", in("typo.ini")});
  EXPECT_EQ(typo.status, 2);
  EXPECT_THAT(typo.err, HasSubstr("'f-numbr'"));
  write(in("section.ini"), "[fit]\nf-number = 5\n");
  EXPECT_EQ(call({"fit", in("good.csv"), "--config", in("section.ini")}).status, 2);
  write(in("value.ini"), "f-number = five\n");
  EXPECT_EQ(call({"fit", in("good.csv"), "--config", in("value.ini")}).status, 2);
}

TEST_F(Program, FitOfAGoodRunEndsWithZeroAndHoldsTheDocumentedKeys) {
  const Answer answer = call(with({"fit", run(), "--json", "-"}, rig()));
  EXPECT_EQ(answer.status, 0) << answer.out;
  EXPECT_EQ(answer.err, "");
  const Json fit = Json::parse(answer.out);  // pure: nothing but the object
  EXPECT_EQ(fit["schema"], "starwaist/fit/1");
  for (const char* key :
       {"points", "size_measure", "models", "chosen", "best_focus_steps", "best_focus_sigma_steps",
        "interval_68_steps", "interval_95_steps", "critical_focus_zone_steps",
        "probability_in_zone", "verdict", "reasons", "skipped", "approach"}) {
    EXPECT_TRUE(fit.contains(key)) << key;
  }
  for (const char* key : {"file", "position_steps", "size_px", "sigma_px", "stars", "temperature_c",
                          "used", "reason"}) {
    EXPECT_TRUE(fit["points"][0].contains(key)) << key;
  }
  for (const char* key :
       {"model", "best_focus_steps", "best_focus_sigma_steps", "interval_68_steps",
        "interval_95_steps", "min_size_px", "slope_px_per_step", "r_squared", "reduced_chi_squared",
        "aicc", "parameters", "weight"}) {
    EXPECT_TRUE(fit["models"][0].contains(key)) << key;
  }
  // Rendered best focus is 5000; within half of the 27.5-step zone is what the verdict promises.
  EXPECT_NEAR(fit["best_focus_steps"], 5000, 27.5 / 2);
}

TEST_F(Program, MeasureHoldsTheDocumentedKeys) {
  const Answer answer = call({"measure", run(), "--stars", "--json", "-"});
  EXPECT_EQ(answer.status, 0);
  const Json measured = Json::parse(answer.out);
  EXPECT_EQ(measured["schema"], "starwaist/measure/1");
  ASSERT_EQ(measured["frames"].size(), 7U);
  for (const char* key : {"file",
                          "width_px",
                          "height_px",
                          "position_steps",
                          "temperature_c",
                          "filter",
                          "exposure_s",
                          "time_utc",
                          "background_adu",
                          "noise_adu",
                          "star_count",
                          "saturated_count",
                          "defect_count",
                          "hfr_px",
                          "hfr_sigma_px",
                          "fwhm_px",
                          "fwhm_sigma_px",
                          "mean_radius_px",
                          "eccentricity",
                          "elongation_angle_deg",
                          "elongation_coherence",
                          "stars"}) {
    EXPECT_TRUE(measured["frames"][3].contains(key)) << key;
  }
  ASSERT_FALSE(measured["frames"][3]["stars"].empty());
  for (const char* key : {"x_px", "y_px", "flux_adu", "snr", "peak_adu", "hfr_px", "fwhm_px",
                          "eccentricity", "angle_deg", "saturated"}) {
    EXPECT_TRUE(measured["frames"][3]["stars"][0].contains(key)) << key;
  }
  EXPECT_FALSE(
      Json::parse(call({"measure", run(), "--json", "-"}).out)["frames"][0].contains("stars"));
}

TEST_F(Program, GivesTheSameBytesForAnyThreadCount) {
  for (const std::string command : {"measure", "fit"}) {
    const Answer one = call({command, run(), "--threads", "1", "--json", "-"});
    const Answer two = call({command, run(), "--threads", "2", "--json", "-"});
    EXPECT_FALSE(one.out.empty());
    EXPECT_EQ(one.out, two.out);
  }
}

TEST_F(Program, MatchedFramesAreTheSameInAnyOrderAndForAnyThreadCount) {
  std::vector<std::string> files;
  for (const auto& entry : std::filesystem::directory_iterator(run())) {
    if (entry.path().extension() == ".fits") files.push_back(entry.path().string());
  }
  std::sort(files.begin(), files.end());
  ASSERT_GE(files.size(), 5U);
  const auto measured = [](std::vector<std::string> named, const std::string& threads) {
    Words words{"measure", "--matched", "--stars", "--threads", threads, "--json", "-"};
    words.insert(words.end(), named.begin(), named.end());
    Json json = Json::parse(call(words).out);
    std::map<std::string, Json> frames;
    for (const auto& frame : json["frames"]) frames[frame["file"]] = frame;
    return frames;
  };
  const auto one = measured(files, "1");
  std::rotate(files.begin(), files.begin() + 2, files.end());
  std::swap(files[0], files[3]);
  const auto two = measured(files, "2");
  EXPECT_EQ(one.size(), files.size());
  EXPECT_EQ(one, two);
  // The frames' sizes rest on the same stars.
  std::set<int> counts;
  for (const auto& [name, frame] : one) counts.insert(frame["star_count"].get<int>());
  const Json alone = Json::parse(call({"measure", run(), "--json", "-"}).out);
  std::set<int> counts_alone;
  for (const auto& frame : alone["frames"]) counts_alone.insert(frame["star_count"].get<int>());
  EXPECT_LE(*counts.rbegin() - *counts.begin(), *counts_alone.rbegin() - *counts_alone.begin());
}

TEST_F(Program, RegionLimitsTheStars) {
  const Answer answer =
      call({"measure", run(), "--region", "0,0,200,150", "--stars", "--json", "-"});
  const Json measured = Json::parse(answer.out);
  const Json whole = Json::parse(call({"measure", run(), "--json", "-"}).out);
  EXPECT_LT(measured["frames"][3]["star_count"], whole["frames"][3]["star_count"]);
  for (const auto& star : measured["frames"][3]["stars"]) {
    EXPECT_LE(star["x_px"], 200);
    EXPECT_LE(star["y_px"], 150);
  }
}

TEST_F(Program, DarksGiveTheMapOfDefects) {
  const std::string frame = fs::directory_iterator(run())->path().string();
  // The sky as a dark: its own sharp pixels, the hot ones among them, are the map.
  const Answer without = call({"measure", run(), "--json", "-"});
  const Answer with = call({"measure", run(), "--dark", frame, "--json", "-"});
  ASSERT_EQ(with.status, 0) << with.err;
  EXPECT_GT(Json::parse(with.out)["frames"][0]["defect_count"],
            Json::parse(without.out)["frames"][0]["defect_count"]);
  write(in("rig.conf"), "dark = [\"" + frame + "\"]\n");
  EXPECT_EQ(call({"measure", run(), "--config", in("rig.conf"), "--json", "-"}).out, with.out);
  // A dark of another size is named, and so is one that is not there.
  write(in("small.fits"),
        testing_support::fits_image(40, 30, std::vector<std::uint16_t>(1200, 500)));
  const Answer small = call({"measure", run(), "--dark", in("small.fits")});
  EXPECT_EQ(small.status, 3);
  EXPECT_THAT(small.err, HasSubstr("small.fits: has 40 x 30"));
  const Answer absent = call({"measure", run(), "--dark", in("absent.fits")});
  EXPECT_EQ(absent.status, 3);
  EXPECT_THAT(absent.err, HasSubstr("absent.fits"));
}

TEST_F(Program, WritesCsvOverlayAndPlot) {
  const Answer measured =
      call({"measure", run(), "--csv", in("m.csv"), "--overlay", in("overlay"), "--quiet"});
  EXPECT_EQ(measured.status, 0) << measured.err;
  EXPECT_THAT(read(in("m.csv")), StartsWith("file,width_px,height_px,position_steps,"));
  EXPECT_EQ(std::distance(fs::directory_iterator(in("overlay")), fs::directory_iterator()), 7);
  EXPECT_THAT(read(fs::directory_iterator(in("overlay"))->path()), StartsWith("\x89PNG"));
  const Answer again = call({"measure", run(), "--overlay", in("overlay")});
  EXPECT_EQ(again.status, 3);
  EXPECT_THAT(again.err, HasSubstr("--force"));
  EXPECT_EQ(call({"measure", run(), "--overlay", in("overlay"), "--force"}).status, 0);
  EXPECT_EQ(call({"measure", run(), "--overlay", in("m.csv")}).status, 3);
  EXPECT_EQ(call({"fit", in("good.csv"), "--plot", in("c.svg")}).status, 0);
  EXPECT_THAT(read(in("c.svg")), HasSubstr("</svg>"));
}

TEST_F(Program, DoubtfulOrUnusableEndsWithOne) {
  write(in("three.csv"), "position,hfr\n1,3\n2,2\n3,3\n");
  const Answer answer = call({"fit", in("three.csv"), "--json", "-"});
  EXPECT_EQ(answer.status, 1);
  const Json fit = Json::parse(answer.out);
  EXPECT_NE(fit["verdict"], "trusted");
  EXPECT_FALSE(fit["reasons"].empty());
}

TEST_F(Program, NoInputEndsWithThree) {
  fs::create_directory(in("empty"));
  write(in("not.fits"), "this is text");
  for (const Words& words : std::vector<Words>{{"fit", in("absent")},
                                               {"fit", in("empty")},
                                               {"measure", in("not.fits")},
                                               {"measure", in("good.csv")}}) {
    const Answer answer = call(with(words, {"--json", "-"}));
    EXPECT_EQ(answer.status, 3) << words[1];
    EXPECT_EQ(answer.out, "");
    EXPECT_THAT(answer.err, HasSubstr(fs::path(words[1]).filename().string()));
  }
}

TEST_F(Program, OneBadFrameIsNamedAndSkippedEvenWhenQuiet) {
  fs::copy(run(), in("mixed"));
  write(in("mixed/zz.fits"), "SIMPLE  = cut short");
  const Answer answer = call({"measure", in("mixed"), "--quiet", "--json", "-"});
  EXPECT_EQ(answer.status, 0);
  EXPECT_THAT(answer.err, HasSubstr("zz.fits"));
  const Json measured = Json::parse(answer.out);
  ASSERT_EQ(measured["skipped"].size(), 1U);
  EXPECT_EQ(measured["skipped"][0]["file"], "zz.fits");
  EXPECT_EQ(measured["frames"].size(), 7U);
}

TEST_F(Program, OutputsNeverReplaceInputs) {
  const std::string before = read(in("good.csv"));
  const Answer json = call({"fit", in("good.csv"), "--json", in("good.csv")});
  EXPECT_EQ(json.status, 3);
  EXPECT_THAT(json.err, HasSubstr("good.csv"));
  EXPECT_EQ(read(in("good.csv")), before);
  for (const auto& entry : fs::directory_iterator(run())) {
    if (entry.path().extension() != ".fits") continue;
    const std::string bytes = read(entry.path());
    EXPECT_EQ(call({"measure", run(), "--csv", entry.path().string()}).status, 3);
    EXPECT_EQ(read(entry.path()), bytes);
    break;
  }
}

TEST_F(Program, AnOutputThatCannotBeWrittenIsToldBeforeTheWork) {
  bool worked = false;
  const Answer answer = call({"fit", run(), "--json", in("absent/out.json")}, [&] {
    worked = true;
    return false;
  });
  EXPECT_EQ(answer.status, 3);
  EXPECT_FALSE(worked);
  EXPECT_EQ(answer.out, "");
}

TEST_F(Program, RenderSparesAFolderThatIsNotEmpty) {
  fs::create_directory(in("full"));
  write(in("full/letter.txt"), "dear");
  const Words words = {"render", "--output",     in("full"), "--start",    "1",  "--step",
                       "1",      "--points",     "1",        "--width-px", "64", "--height-px",
                       "64",     "--star-count", "2"};
  EXPECT_EQ(call(words).status, 3);
  EXPECT_EQ(std::distance(fs::directory_iterator(in("full")), fs::directory_iterator()), 1);
  EXPECT_EQ(call(with(words, {"--force"})).status, 0);
  EXPECT_EQ(read(in("full/letter.txt")), "dear");
}

TEST_F(Program, AnInterruptEndsWith130AndLeavesNoOutput) {
  for (const std::string command : {"measure", "fit"}) {
    const Answer answer =
        call({command, run(), "--json", in("interrupted.json")}, [] { return true; });
    EXPECT_EQ(answer.status, 130);
    EXPECT_EQ(answer.out, "");
    EXPECT_FALSE(fs::exists(in("interrupted.json")));
  }
}

TEST_F(Program, QuietDropsNotesAndTablesAndKeepsTheAnswer) {
  const Answer answer = call({"fit", in("good.csv"), "--quiet"});
  EXPECT_THAT(answer.out,
              AllOf(HasSubstr("best focus"), Not(HasSubstr("Notes")), Not(HasSubstr("Position"))));
  EXPECT_EQ(answer.err, "");
}

TEST_F(Program, AStreamThatCannotBeWrittenEndsWithThree) {
  std::ofstream full("/dev/full");
  std::ostringstream err;
  const Words words = {"fit", in("good.csv"), "--json", "-"};
  EXPECT_EQ(tool::run_tool(words, {full, err, false, {}}), 3);
  EXPECT_THAT(err.str(), HasSubstr("standard output"));
}

}  // namespace
}  // namespace starwaist
