// Tables, inputs and the whole job on the demo frames.
#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "starwaist/report.h"
#include "starwaist/run.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

class Inputs : public testing::Test {
 protected:
  std::string write(const std::string& name, const std::string& text) const {
    return folder_.write(name, text);
  }
  testing_support::TemporaryFolder folder_;
};

TEST_F(Inputs, TableFormsOfTheContractAreRead) {
  const std::vector<std::string> forms = {
      "position,hfr,sigma\n10,2.5,0.1\n20,1.5,0.1\n20,1.6,0.1\n",
      "\xEF\xBB\xBFPosition;HFR;Sigma\r\n10;2,5;0,1\r\n20;1,5;0,1\r\n20;1,6;0,1\r\n",
      "position\thfr\tsigma\n10\t2.5\t0.1\n20\t1.5\t0.1\n20\t1.6\t0.1",
      "\"position\",\"hfd\",\"sigma\"\n\"10\",5.0,0.2\n20,3.0,0.2\n20,3.2,0.2\n"};
  for (const std::string& form : forms) {
    const auto table = read_run_table(write("t.csv", form));
    ASSERT_TRUE(table.has_value()) << table.error().text();
    ASSERT_EQ(table->points.size(), 3U) << form;
    EXPECT_EQ(table->points[0].position_steps, 10);
    EXPECT_DOUBLE_EQ(*table->points[0].size_px, 2.5);
    EXPECT_DOUBLE_EQ(*table->points[1].sigma_px, 0.1);
    EXPECT_DOUBLE_EQ(*table->points[2].size_px, 1.6);
    EXPECT_TRUE(table->skipped.empty());
  }
}

TEST_F(Inputs, BadRowsAreNamedByLineAndSkipped) {
  const auto table = read_run_table(
      write("t.csv", "position,hfr,sigma\n10,2.5,0\nx,2,0.1\n30,nan,0.1\n40,-1,0.1\n50,2.5,0.1\n"));
  ASSERT_TRUE(table.has_value());
  EXPECT_EQ(table->points.size(), 2U);
  EXPECT_FALSE(table->points[0].sigma_px.has_value());
  EXPECT_EQ(table->notes.size(), 1U);
  ASSERT_EQ(table->skipped.size(), 3U);
  EXPECT_NE(table->skipped[0].file.find("line 3"), std::string::npos);
  EXPECT_NE(table->skipped[0].reason.find("'x'"), std::string::npos);
}

TEST_F(Inputs, TablesThatCannotServeAreRefused) {
  for (const char* text :
       {"", "\n\n", "position\n10\n", "hfr\n1\n", "position,hfr\n", "position,hfr\nx,y\n"}) {
    const auto table = read_run_table(write("t.csv", text));
    ASSERT_FALSE(table.has_value()) << text;
    EXPECT_EQ(table.error().message.find("t.csv"), 0U);
  }
  EXPECT_FALSE(
      read_run_table(write("t.csv", std::string("position,hfr\n1\0,2\n", 18))).has_value());
  EXPECT_FALSE(read_run_table(folder_.in("absent.csv")).has_value());
}

TEST_F(Inputs, ColumnsCanBeNamed) {
  TableOptions options;
  options.columns = {{"position", "Step"}, {"hfr", "Half Flux"}};
  const auto table = read_run_table(write("t.csv", "Step,Half Flux\n1,2\n"), options);
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->points[0].size_px, 2.0);
  options.columns = {{"hfr", "absent"}};
  EXPECT_FALSE(read_run_table(folder_.in("t.csv"), options).has_value());
}

TEST_F(Inputs, ANamedSizeColumnComesBeforeOneFoundByItsName) {
  TableOptions options;
  options.columns = {{"fwhm", "width"}};
  const auto table = read_run_table(write("t.csv", "position,hfr,width\n1,2,5\n"), options);
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->size, SizeMeasure::fwhm);
  EXPECT_EQ(table->points[0].size_px, 5.0);
}

TEST_F(Inputs, AQuoteThatIsNeverClosedIsNamedByItsLine) {
  const auto table = read_run_table(write("t.csv", "position,hfr\n1,2\n2,\"3\n3,4\n"));
  ASSERT_FALSE(table.has_value());
  EXPECT_EQ(table.error().message.find("t.csv line 3"), 0U) << table.error().text();
}

TEST_F(Inputs, LongTablesAreReadWhole) {
  std::string text = "position,hfr\n";
  for (int i = 0; i < 100000; ++i) text += std::to_string(i) + ",2.5\r\n";
  const auto table = read_run_table(write("t.csv", text));
  ASSERT_TRUE(table.has_value()) << table.error().text();
  EXPECT_EQ(table->points.size(), 100000U);
  EXPECT_EQ(table->points.back().position_steps, 99999);
}

TEST_F(Inputs, FramesComeInTheOrderOfTheirNumbers) {
  for (const char* name : {"f10.fits", "f9.fits", "f1.fit", ".hidden.fits", "notes.txt"})
    write(name, "x");
  const auto input = find_run_input({folder_.path().string()});
  ASSERT_TRUE(input.has_value());
  ASSERT_EQ(input->frames.size(), 3U);
  EXPECT_EQ(fs::path(input->frames[0]).filename(), "f1.fit");
  EXPECT_EQ(fs::path(input->frames[2]).filename(), "f10.fits");
  EXPECT_FALSE(find_run_input({folder_.in("absent")}).has_value());
  EXPECT_FALSE(find_run_input({}).has_value());
  const std::string table = write("a.csv", "x");
  EXPECT_FALSE(find_run_input({folder_.path().string(), table}).has_value());
}

RunOptions demo_rig() {
  RunOptions options;
  options.rig.f_number = 5;
  options.rig.pixel_um = 3.76;
  options.rig.um_per_step = 2;
  return options;
}

const std::string kDemo = STARWAIST_SOURCE_DIR "/demo-frames";

TEST(FitRun, DemoRunIsTrustedAndHoldsTheTruth) {
  const auto run = fit_run({kDemo}, demo_rig());
  ASSERT_TRUE(run.has_value()) << run.error().text();
  EXPECT_EQ(run->fit.verdict, Verdict::trusted);
  std::ifstream in(kDemo + "/truth.json");
  const auto truth = nlohmann::json::parse(in).at("best_focus_steps").get<double>();
  EXPECT_TRUE(run->fit.interval_95_steps.contains(truth)) << truth;
  EXPECT_EQ(run->fit.points.size(), 11U);
}

TEST(FitRun, AnyThreadCountAndOrderOfInputsGivesTheSameBytes) {
  RunOptions options = demo_rig();
  options.threads = 1;
  const auto one = fit_run({kDemo}, options);
  options.threads = 2;
  auto files = find_run_input({kDemo})->frames;
  std::reverse(files.begin(), files.end());
  const auto two = fit_run(files, options);
  ASSERT_TRUE(one && two);
  EXPECT_EQ(*fit_json(*one), *fit_json(*two));
}

TEST_F(Inputs, BadFramesAmongGoodOnesAreNamedAndSkipped) {
  auto files = find_run_input({kDemo})->frames;
  files.push_back(write("bad.fits", "no frame"));
  const auto run = fit_run(files, demo_rig());
  ASSERT_TRUE(run.has_value());
  ASSERT_EQ(run->skipped.size(), 1U);
  EXPECT_EQ(run->skipped[0].file, "bad.fits");
  EXPECT_EQ(run->fit.verdict, Verdict::trusted);
  EXPECT_FALSE(fit_run({files.back()}, demo_rig()).has_value());
}

// The demo run without one of its frames, which then plays the frame taken afterwards.
RunFit demo_run_without(const std::string& name, RunOptions options) {
  auto files = find_run_input({kDemo})->frames;
  std::erase_if(files, [&](const std::string& f) { return fs::path(f).filename() == name; });
  options.arrived = kDemo + "/" + name;
  return fit_run(files, options).value();
}

TEST(FitRun, AFrameTakenAtBestFocusHasThePromisedSize) {
  const RunFit run = demo_run_without("frame_05.fits.fz", demo_rig());
  ASSERT_TRUE(run.arrived && run.arrived->agrees);
  EXPECT_TRUE(*run.arrived->agrees) << *run.arrived->size_px << *run.arrived->expected_size_px;
  EXPECT_EQ(run.fit.points.size(), 10U);
}

TEST_F(Inputs, AFrameThatDidNotArriveIsTold) {
  // A frame from the end of the sweep whose header claims best focus.
  RunOptions options = demo_rig();
  options.read.position_key = "NOSUCH";
  options.read.position_from_name = "at_([0-9]+)";
  std::vector<std::string> files;
  const auto found = find_run_input({kDemo})->frames;
  for (std::size_t i = 0; i < found.size(); ++i) {
    const std::string name = "at_" + std::to_string(5150 + 16 * i) + ".fits.fz";
    fs::copy_file(found[i], folder_.in(name));
    files.push_back(folder_.in(name));
  }
  fs::copy_file(found[9], folder_.in("at_5231.fits.fz"));
  options.arrived = folder_.in("at_5231.fits.fz");
  const auto run = fit_run(files, options);
  ASSERT_TRUE(run && run->arrived && run->arrived->agrees) << run.error().text();
  EXPECT_FALSE(*run->arrived->agrees);
  // Frame 9 was taken at 5294, 63 steps from best focus; the curve is even to a few per cent there.
  EXPECT_NEAR(*run->arrived->off_by_steps, 63, 3);
}

TEST(FitRun, TableOfTheSamePointsGivesTheSameAnswer) {
  const auto run = fit_run({kDemo}, demo_rig());
  ASSERT_TRUE(run.has_value());
  const auto fit = fit_curve(run->fit.points, run->rig);
  ASSERT_TRUE(fit.has_value());
  EXPECT_DOUBLE_EQ(*fit->best_focus_steps, *run->fit.best_focus_steps);
}

}  // namespace
}  // namespace starwaist
