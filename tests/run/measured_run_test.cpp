// One record a frame, and one look at the input.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <string>
#include <vector>

#include "run/demo_run.h"
#include "starwaist/run.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::SizeIs;
using testing_support::demo_options;
using testing_support::kDemo;
using testing_support::TemporaryFolder;

TEST(RecordRun, FramesThatShareANameKeepWhatIsTheirOwn) {
  const auto demo = find_run_input({kDemo});
  ASSERT_TRUE(demo.has_value()) << demo.error().text();
  const TemporaryFolder folder;
  std::vector<std::string> alike;
  for (std::size_t i = 0; i < demo->frames.size(); ++i) {
    const fs::path own = folder.path() / std::to_string(i);
    fs::create_directory(own);
    fs::copy_file(demo->frames[i], own / "frame.fits.fz");
    alike.push_back((own / "frame.fits.fz").string());
  }
  RunOptions options = demo_options();
  const auto named = record_run(*demo, options);
  const auto unnamed = record_run(alike, options);
  ASSERT_TRUE(named && unnamed);
  const RunRecord& a = named->record;
  const RunRecord& b = unnamed->record;
  ASSERT_THAT(a.frames, SizeIs(alike.size()));
  ASSERT_THAT(b.frames, SizeIs(alike.size()));
  for (std::size_t i = 0; i < alike.size(); ++i) {
    EXPECT_EQ(b.frames[i].path, alike[i]);
    ASSERT_TRUE(a.frames[i].sky && b.frames[i].sky);
    EXPECT_EQ(b.frames[i].sky->level_adu, a.frames[i].sky->level_adu);
  }
  EXPECT_EQ(b.fit.best_focus_steps, a.fit.best_focus_steps);
  ASSERT_TRUE(a.collimation && b.collimation);
  EXPECT_EQ(b.collimation->position_steps, a.collimation->position_steps);
  EXPECT_EQ(b.collimation->shadow_offset, a.collimation->shadow_offset);
}

TEST(JudgeRun, ReadsTheInputThatWasFoundAndNoOther) {
  const TemporaryFolder folder;
  const std::vector<std::string> demo = find_run_input({kDemo})->frames;
  for (const std::string& frame : demo) {
    fs::copy_file(frame, folder.path() / fs::path(frame).filename());
  }
  const auto found = find_run_input({folder.path().string()});
  ASSERT_TRUE(found.has_value());
  fs::copy_file(demo.front(), folder.in("came_later.fits.fz"));
  const auto run = judge_run(*found, demo_options());
  ASSERT_TRUE(run.has_value()) << run.error().text();
  EXPECT_THAT(run->fit.points, SizeIs(demo.size()));
}

}  // namespace
}  // namespace starwaist
