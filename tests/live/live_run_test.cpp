// The run while it is taken, from rendered frames.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <utility>
#include <vector>

#include "starwaist/live.h"
#include "starwaist/render.h"
#include "starwaist/run.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

constexpr double kFocus = 5000;

RenderOptions made(std::vector<double> positions) {
  RenderOptions options;
  options.width_px = 400;
  options.height_px = 300;
  options.star_count = 40;
  options.best_focus_steps = kFocus;
  options.positions_steps = std::move(positions);
  options.seed = 5;
  return options;
}

LiveRunOptions live_options(const RenderOptions& made) {
  LiveRunOptions options;
  options.run.rig.f_number = made.f_number;
  options.run.rig.focal_length_mm = made.focal_length_mm;
  options.run.rig.obstruction = made.obstruction;
  options.run.rig.pixel_um = made.pixel_um;
  options.run.rig.um_per_step = made.um_per_step;
  options.run.threads = 1;
  return options;
}

std::vector<std::string> frames_in(const testing_support::TemporaryFolder& folder,
                                   const RenderOptions& options) {
  const auto truth = render_run(options, folder.in("run"), true);
  EXPECT_TRUE(truth) << truth.error().text();
  std::vector<std::string> paths;
  for (const auto& frame : truth->frames) paths.push_back(folder.in("run") + "/" + frame.file);
  return paths;
}

const std::vector<double> kSweep = {4880, 4920, 4960, 5000, 5040, 5080, 5120};

// The last line is that of the whole judgement, whatever was said on the way.
TEST(LiveRun, EndsWithTheRunsOwnJudgement) {
  const testing_support::TemporaryFolder folder;
  const RenderOptions options = made(kSweep);
  const auto paths = frames_in(folder, options);
  const LiveRunOptions live = live_options(options);
  const auto judged = judge_run(paths, live.run);
  ASSERT_TRUE(judged);
  LiveRun run(live);
  for (const std::string& path : paths) {
    const bool last = path == paths.back();
    const auto answer = run.add(path, last ? MoreFrames::none : MoreFrames::wait);
    ASSERT_TRUE(answer);
    EXPECT_EQ(run.concluded(), last);
    if (!last) continue;
    EXPECT_EQ(answer->best_focus_steps, judged->fit.best_focus_steps);
    EXPECT_EQ(answer->best_focus_sigma_steps, judged->fit.best_focus_sigma_steps);
    EXPECT_EQ(answer->verdict, judged->fit.verdict);
  }
}

TEST(LiveRun, ConcludesWhereNoMoreFramesCame) {
  const testing_support::TemporaryFolder folder;
  const RenderOptions options = made(kSweep);
  const auto paths = frames_in(folder, options);
  const LiveRunOptions live = live_options(options);
  LiveRun run(live);
  EXPECT_FALSE(run.conclude());
  for (const std::string& path : paths) ASSERT_TRUE(run.add(path, MoreFrames::wait));
  const auto quick = run.judgement().fit.best_focus_steps;
  ASSERT_TRUE(quick);
  EXPECT_NEAR(*quick, kFocus, 5);
  const auto concluded = run.conclude();
  ASSERT_TRUE(concluded);
  EXPECT_TRUE(run.concluded());
  EXPECT_EQ(concluded->best_focus_steps, judge_run(paths, live.run)->fit.best_focus_steps);
}

// What it says where the run may end, it says of the whole judgement, without being told that it
// ends.
TEST(LiveRun, EnoughIsSaidByTheWholeJudgement) {
  const testing_support::TemporaryFolder folder;
  const RenderOptions options = made(kSweep);
  LiveRun run(live_options(options));
  bool enough = false;
  for (const std::string& path : frames_in(folder, options)) {
    const auto answer = run.add(path);
    ASSERT_TRUE(answer);
    EXPECT_TRUE(run.concluded() || !answer->stop_reason);
    enough = enough || answer->enough;
  }
  EXPECT_TRUE(enough);
}

// Moves to smaller positions do not move the focus before the slack is taken up: sizes repeat.
TEST(LiveRun, NamesSlackThatShowsAndTakesItUp) {
  const testing_support::TemporaryFolder folder;
  constexpr double kSlack = 120;
  RenderOptions options =
      made({4840, 4900, 4960, 5020, 5080, 5140, 5110, 5080, 5050, 5020, 4960, 4900, 4840});
  double carried = options.positions_steps.front() - kSlack;
  for (const double command : options.positions_steps) {
    carried = std::clamp(carried, command - kSlack, command);
    options.focus_offset_um.push_back((carried + kSlack - command) * options.um_per_step);
  }
  LiveRunOptions live = live_options(options);
  live.run.rig.takeup_steps = 0;  // as told by the user
  LiveRun run(live);
  std::vector<Statement> notes;
  std::optional<Move> move;
  for (const std::string& path : frames_in(folder, options)) {
    const auto answer = run.add(path);
    ASSERT_TRUE(answer);
    EXPECT_TRUE(answer->frames > 5 || answer->notes.empty()) << answer->frames;
    if (!answer->notes.empty()) notes = answer->notes;
    if (answer->move && answer->move->via_steps) move = answer->move;
  }
  ASSERT_EQ(notes.size(), 1U);
  EXPECT_EQ(notes.front().code, "focuser_has_slack");
  ASSERT_TRUE(move);
  EXPECT_GE(std::abs(*move->via_steps - move->to_steps), kSlack);
}

}  // namespace
}  // namespace starwaist
