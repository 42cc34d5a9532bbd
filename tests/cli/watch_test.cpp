// The program follows a folder into which a run is written.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <atomic>
#include <chrono>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "cli/call_program.h"
#include "cli/with_rig.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using testing::ElementsAre;
using testing::HasSubstr;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::with_rig;
using testing_support::Words;

void render(const std::string& folder, const std::vector<std::string>& positions, int seed) {
  std::string list;
  for (const std::string& position : positions) list += (list.empty() ? "" : ",") + position;
  const Answer made = call(with_rig({"render", "--output", folder, "--positions-steps", list,
                                     "--width-px", "400", "--height-px", "300", "--star-count",
                                     "40", "--seed", std::to_string(seed), "--quiet"}));
  ASSERT_EQ(made.status, 0) << made.err;
}

std::vector<Json> lines_of(const std::string& text) {
  std::vector<Json> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) lines.push_back(Json::parse(line));
  return lines;
}

std::string frame(int index) { return "frame_0" + std::to_string(index) + ".fits"; }

TEST(Watch, AnswersOnceFromWhatIsThere) {
  const testing_support::TemporaryFolder folder;
  render(folder.in("run"), {"4850", "4900", "4950", "5000", "5050", "5100", "5150"}, 3);
  const Answer answer = call(with_rig({"watch", folder.in("run"), "--once", "--json", "-"}));
  EXPECT_EQ(answer.status, 0) << answer.err;
  const auto lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 7U);
  for (int i = 0; i < 7; ++i) {
    EXPECT_EQ(lines[static_cast<std::size_t>(i)]["schema"], "starwaist/watch/1");
    EXPECT_EQ(lines[static_cast<std::size_t>(i)]["file"], frame(i));  // in the order written
    EXPECT_EQ(lines[static_cast<std::size_t>(i)]["frames"], i + 1);
  }
  EXPECT_TRUE(lines.front()["next_position_steps"].is_number());
  EXPECT_NEAR(lines.back()["best_focus_steps"].get<double>(), 5000, 5);
  EXPECT_TRUE(lines.back()["enough"].is_boolean());
}

// Written in pieces, renamed, one of them no frame at all: each once, in the order of completion.
TEST(Watch, EveryFrameOnceWhileTheyAreWritten) {
  const testing_support::TemporaryFolder folder;
  render(folder.in("source"), {"4900", "4950", "5000", "5050", "5100"}, 4);
  fs::create_directory(folder.path() / "run");
  std::atomic<bool> done{false};
  std::ostringstream out;
  std::ostringstream err;
  const Words words = with_rig({"watch", folder.in("run"), "--json", "-", "--quiet"});
  std::jthread watching([&] {
    tool::run_tool(words, {out, err, false, [&] { return done.load(); }});
  });
  const auto pause = [](int milliseconds) {
    std::this_thread::sleep_for(std::chrono::milliseconds(milliseconds));
  };
  const fs::path to = folder.path() / "run";
  for (const int index : {0, 2, 1, 4, 3}) {
    const std::string bytes = read(folder.path() / "source" / frame(index));
    const fs::path path = to / frame(index);
    if (index == 1) {  // under another name first, and under a third afterwards
      testing_support::write(to / "part.tmp", bytes);
      fs::rename(to / "part.tmp", path);
      pause(300);
      fs::rename(path, to / "renamed.fits");
    } else if (index == 4) {
      testing_support::write(to / "broken.fits", bytes.substr(0, 5000));
      testing_support::write(path, bytes);
    } else {
      std::ofstream growing(path, std::ios::binary);
      growing << bytes.substr(0, bytes.size() / 2) << std::flush;
      pause(200);
      growing << bytes.substr(bytes.size() / 2);
    }
    pause(300);
  }
  for (int i = 0; i < 200 && err.str().find("broken.fits") == std::string::npos; ++i) pause(100);
  done = true;
  watching.join();
  std::vector<double> positions;
  for (const Json& line : lines_of(out.str())) positions.push_back(line["position_steps"]);
  EXPECT_THAT(positions, ElementsAre(4900, 5000, 4950, 5100, 5050));
  EXPECT_THAT(err.str(), HasSubstr("broken.fits"));
  EXPECT_EQ(err.str().find("frame_0"), std::string::npos) << err.str();
}

// Follows the answers of a focuser that goes where it is told; the last one.
Json follow_from(int start) {
  const testing_support::TemporaryFolder folder;
  std::vector<std::string> positions = {std::to_string(start)};
  Json last;
  for (int frames = 1; frames <= 16; ++frames) {
    // The same seed: the frames that were there stay as they are.
    fs::remove_all(folder.in("run"));
    render(folder.in("run"), positions, 5);
    const Answer answer = call(with_rig({"watch", folder.in("run"), "--once", "--json", "-"}));
    EXPECT_LE(answer.status, 1) << answer.err;
    last = lines_of(answer.out).back();
    if (!last["next_position_steps"].is_number_integer()) break;
    EXPECT_EQ(last["move"]["to_steps"], last["next_position_steps"]);
    EXPECT_EQ(last["move"]["via_steps"], last["via_steps"]);
    EXPECT_TRUE(last["stop_reason"].is_null());
    positions.push_back(std::to_string(last["next_position_steps"].get<int>()));
  }
  return last;
}

TEST(Watch, TheNextPositionsLeadToFocus) {
  for (const int start : {4700, 5450}) {
    const Json last = follow_from(start);
    EXPECT_TRUE(last["enough"].get<bool>()) << last;
    EXPECT_EQ(last["stop_reason"], "enough");
    EXPECT_EQ(last["verdict"], "trusted");
    // Half of the critical focus zone: 2 lambda N^2 = 27.5 um, 13.75 steps of 2 um.
    EXPECT_NEAR(last["best_focus_steps"].get<double>(), 5000, 13.75) << start;
    EXPECT_NEAR(last["move"]["to_steps"].get<double>(), 5000, 13.75) << start;
  }
}

// 0 is no default: it lies against the stop of most focusers.
TEST(Watch, WithoutStarsTheNextPositionIsNearTheFrames) {
  const testing_support::TemporaryFolder folder;
  const Answer made =
      call(with_rig({"render", "--output", folder.in("run"), "--positions-steps", "5200",
                     "--width-px", "400", "--height-px", "300", "--star-count", "1",
                     "--brightest-electrons", "2", "--faintest-electrons", "1", "--quiet"}));
  ASSERT_EQ(made.status, 0) << made.err;
  const Answer answer = call(with_rig(
      {"watch", folder.in("run"), "--once", "--json", "-", "--min-position-steps", "4000"}));
  EXPECT_EQ(answer.status, 1) << answer.err;
  const Json line = lines_of(answer.out).back();
  EXPECT_TRUE(line["size_px"].is_null());
  EXPECT_THAT(line["advice"].get<std::string>(), HasSubstr("no star"));
  ASSERT_TRUE(line["next_position_steps"].is_number_integer()) << line;
  EXPECT_GE(line["next_position_steps"].get<int>(), 4000);
  EXPECT_NE(line["next_position_steps"].get<int>(), 5200);
}

void hide_position(const fs::path& path) {
  std::string bytes = read(path);
  const std::size_t at = bytes.find("FOCUSPOS");
  ASSERT_NE(at, std::string::npos);
  bytes.replace(at, 8, "NOTGIVEN");
  testing_support::write(path, bytes);
}

TEST(Watch, AFrameWithoutAPositionGetsALineAndChangesNothing) {
  const testing_support::TemporaryFolder folder;
  render(folder.in("run"), {"4900", "5000", "5100"}, 3);
  hide_position(folder.path() / "run" / frame(1));
  const Answer answer = call(with_rig({"watch", folder.in("run"), "--once", "--json", "-"}));
  EXPECT_EQ(answer.status, 1) << answer.err;
  EXPECT_THAT(answer.err, HasSubstr(frame(1)));
  const auto lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 3U) << answer.out;
  // Changing a file makes it the newest: it comes last.
  const Json& without = lines[2];
  EXPECT_EQ(without["file"], frame(1));
  EXPECT_TRUE(without["position_steps"].is_null());
  EXPECT_TRUE(without["size_px"].is_number());
  EXPECT_EQ(without["advice_code"], "no_position") << without;
  EXPECT_EQ(without["frames"], 2);
  EXPECT_EQ(without["next_position_steps"], lines[1]["next_position_steps"]);
  EXPECT_TRUE(without["next_position_steps"].is_number_integer());
  EXPECT_TRUE(without["stop_reason"].is_null());
}

TEST(Watch, FramesOfWhichNoneHasAPositionAreNoInput) {
  const testing_support::TemporaryFolder folder;
  render(folder.in("run"), {"5000"}, 3);
  hide_position(folder.path() / "run" / frame(0));
  const Answer answer = call(with_rig({"watch", folder.in("run"), "--once", "--json", "-"}));
  EXPECT_EQ(answer.status, 3) << answer.err;
  const auto lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 1U);
  EXPECT_TRUE(lines[0]["position_steps"].is_null());
  EXPECT_TRUE(lines[0]["next_position_steps"].is_null());
}

TEST(Watch, AFolderWithoutFramesIsNoInput) {
  const testing_support::TemporaryFolder folder;
  const Answer answer = call({"watch", folder.path().string(), "--once"});
  EXPECT_EQ(answer.status, 3);
  EXPECT_THAT(answer.err, HasSubstr("no frame could be used"));
  EXPECT_EQ(call({"watch", folder.in("absent"), "--once"}).status, 3);
}

TEST(Watch, AnInterruptEndsIt) {
  const testing_support::TemporaryFolder folder;
  EXPECT_EQ(call({"watch", folder.path().string()}, [] { return true; }).status, 130);
}

}  // namespace
}  // namespace starwaist
