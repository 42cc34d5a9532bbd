// The whole job on the demo frames.
#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "run/demo_run.h"
#include "starwaist/report.h"
#include "starwaist/run.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing_support::demo_options;
using testing_support::kDemo;

class Inputs : public testing::Test {
 protected:
  std::string write(const std::string& name, const std::string& text) const {
    return folder_.write(name, text);
  }
  testing_support::TemporaryFolder folder_;
};

TEST(JudgeRun, DemoRunIsTrustedAndHoldsTheTruth) {
  const auto run = judge_run({kDemo}, demo_options());
  ASSERT_TRUE(run.has_value()) << run.error().text();
  EXPECT_EQ(run->fit.verdict, Verdict::trusted);
  std::ifstream in(kDemo + "/truth.json");
  const auto truth = nlohmann::json::parse(in).at("best_focus_steps").get<double>();
  EXPECT_TRUE(run->fit.interval_95_steps.contains(truth)) << truth;
  EXPECT_EQ(run->fit.points.size(), 11U);
}

TEST(JudgeRun, AnyThreadCountAndOrderOfInputsGivesTheSameBytes) {
  RunOptions options = demo_options();
  options.threads = 1;
  const auto one = judge_run({kDemo}, options);
  options.threads = 2;
  auto files = find_run_input({kDemo})->frames;
  std::reverse(files.begin(), files.end());
  const auto two = judge_run(files, options);
  ASSERT_TRUE(one && two);
  EXPECT_EQ(*fit_json(*one), *fit_json(*two));
}

TEST_F(Inputs, BadFramesAmongGoodOnesAreNamedAndSkipped) {
  auto files = find_run_input({kDemo})->frames;
  files.push_back(write("bad.fits", "no frame"));
  const auto run = judge_run(files, demo_options());
  ASSERT_TRUE(run.has_value());
  ASSERT_EQ(run->skipped.size(), 1U);
  EXPECT_EQ(run->skipped[0].file, "bad.fits");
  EXPECT_EQ(run->fit.verdict, Verdict::trusted);
  EXPECT_FALSE(judge_run({files.back()}, demo_options()).has_value());
}

// The demo run without one of its frames, which then plays the frame taken afterwards.
RunAnswer demo_run_without(const std::string& name, RunOptions options) {
  auto files = find_run_input({kDemo})->frames;
  std::erase_if(files, [&](const std::string& f) { return fs::path(f).filename() == name; });
  options.arrived = kDemo + "/" + name;
  return judge_run(files, options).value();
}

TEST(JudgeRun, AFrameTakenAtBestFocusHasThePromisedSize) {
  const RunAnswer run = demo_run_without("frame_05.fits.fz", demo_options());
  ASSERT_TRUE(run.arrived && run.arrived->agrees);
  EXPECT_TRUE(*run.arrived->agrees) << *run.arrived->size_px << *run.arrived->expected_size_px;
  EXPECT_EQ(run.fit.points.size(), 10U);
}

TEST_F(Inputs, AFrameThatDidNotArriveIsTold) {
  // A frame from the end of the sweep whose header claims best focus.
  RunOptions options = demo_options();
  options.read.keywords = {{"position", "NOSUCH"}};
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
  const auto run = judge_run(files, options);
  ASSERT_TRUE(run && run->arrived && run->arrived->agrees) << run.error().text();
  EXPECT_FALSE(*run->arrived->agrees);
  // Frame 9 was taken at 5294, 63 steps from best focus; the curve is even to a few per cent there.
  EXPECT_NEAR(*run->arrived->off_by_steps, 63, 3);
}

TEST(JudgeRun, TableOfTheSamePointsGivesTheSameAnswer) {
  const auto run = judge_run({kDemo}, demo_options());
  ASSERT_TRUE(run.has_value());
  const auto fit = fit_curve(run->fit.points, run->rig);
  ASSERT_TRUE(fit.has_value());
  // A table knows no places of stars: over the even field of these frames the median star's focus
  // is that of all to a tenth of the error.
  EXPECT_NEAR(*fit->best_focus_steps, *run->fit.best_focus_steps,
              0.1 * *run->fit.best_focus_sigma_steps);
}

}  // namespace
}  // namespace starwaist
