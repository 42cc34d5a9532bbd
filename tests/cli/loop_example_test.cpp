// The example script with a pretend focuser that has slack and renders frames.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>

#include <cstdlib>
#include <sstream>
#include <string>
#include <vector>

#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::Each;
using testing::Ge;
using testing::HasSubstr;
using testing::Le;
using testing::Not;
using testing_support::bytes_of;
using testing_support::TemporaryFolder;

constexpr int kLowest = 3000;
constexpr int kHighest = 9000;
constexpr int kFocus = 5000;  // of what the focuser carries
constexpr int kUmPerStep = 2;
constexpr double kHalfZone = 13.75;  // 2 lambda N^2 at f/5, in steps

// Keeps two positions: the command, and behind it what the focuser carries, which stays back by up
// to `slack` steps.
class PretendFocuser {
 public:
  PretendFocuser(int start, int slack) : start_(start) {
    folder_.write("state", std::to_string(start) + " " + std::to_string(start) + "\n");
    folder_.write("moves", "");
    folder_.write(
        "rig.conf",
        "f-number=5\nobstruction=0.3\npixel-um=3.76\num-per-step=2\nfocal-length-mm=480\n");
    folder_.write("move.sh", "read command carried < " + folder_.in("state") + "\necho $1 >> " +
                                 folder_.in("moves") + "\nlow=$(( $1 - " + std::to_string(slack) +
                                 " ))\n[ $carried -lt $low ] && carried=$low\n" +
                                 "[ $carried -gt $1 ] && carried=$1\necho $1 $carried > " +
                                 folder_.in("state") + "\n");
    expose_with("--star-count 14");
  }

  void expose_with(const std::string& stars) {
    const std::string made = folder_.in("made");
    folder_.write("expose.sh",
                  "read command carried < " + folder_.in("state") + "\nrm -rf " + made + "\n" +
                      STARWAIST_PROGRAM + " render --quiet --output " + made +
                      " --positions-steps $command --focus-offset-um $(( (carried - command) * " +
                      std::to_string(kUmPerStep) + " )) --width-px 640 --height-px 480 " + stars +
                      " --seed 7 > /dev/null || exit 1\nmv " + made + "/frame_00.fits $1\n");
  }

  // The script's status.
  int run(const std::string& more = "") {
    const std::string command =
        "python3 " STARWAIST_SOURCE_DIR "/tools/loop-example.py " + folder_.in("run") +
        " --starwaist " STARWAIST_PROGRAM " --start " + std::to_string(start_) + " --min " +
        std::to_string(kLowest) + " --max " + std::to_string(kHighest) + " --move 'sh " +
        folder_.in("move.sh") + "' --expose 'sh " + folder_.in("expose.sh") + "' " + more +
        " -- --config " + folder_.in("rig.conf") + " > " + folder_.in("out") + " 2>&1";
    return WEXITSTATUS(std::system(command.c_str()));
  }

  [[nodiscard]] std::string said() const { return bytes_of(folder_.in("out")); }
  [[nodiscard]] std::vector<int> moves() const { return numbers("moves"); }
  [[nodiscard]] int carried() const { return numbers("state").back(); }

 private:
  [[nodiscard]] std::vector<int> numbers(const std::string& file) const {
    std::istringstream in(bytes_of(folder_.in(file)));
    std::vector<int> list;
    for (int number = 0; in >> number;) list.push_back(number);
    return list;
  }

  TemporaryFolder folder_;
  int start_;
};

// Rings some hundred pixels wide at the start, and more slack than the zone is wide.
TEST(LoopExample, FindsFocusFromFarWithSlack) {
  PretendFocuser focuser(6400, 60);
  EXPECT_EQ(focuser.run(), 0) << focuser.said();
  EXPECT_THAT(focuser.said(), HasSubstr("trusted; the focuser stands there"));
  EXPECT_NEAR(focuser.carried(), kFocus, kHalfZone) << focuser.said();
  EXPECT_THAT(focuser.moves(), Each(Ge(kLowest)));
  EXPECT_THAT(focuser.moves(), Each(Le(kHighest)));
}

TEST(LoopExample, StopsWithoutStarsAndMovesNoMore) {
  PretendFocuser focuser(6000, 0);
  focuser.expose_with("--star-count 1 --brightest-electrons 2 --faintest-electrons 1");
  EXPECT_EQ(focuser.run("--most-points 8"), 1) << focuser.said();
  EXPECT_THAT(focuser.said(), HasSubstr("stopped: "));
  EXPECT_THAT(focuser.said(), Not(HasSubstr("best focus")));
  EXPECT_THAT(focuser.moves(), Each(Ge(kLowest)));
  EXPECT_THAT(focuser.moves(), Each(Le(kHighest)));
}

TEST(LoopExample, ACommandThatFailsEndsIt) {
  PretendFocuser focuser(6000, 0);
  focuser.expose_with("--star-count -1");
  EXPECT_EQ(focuser.run(), 3) << focuser.said();
  EXPECT_THAT(focuser.said(), HasSubstr("ended with status 1"));
  EXPECT_TRUE(focuser.moves().empty());
}

}  // namespace
}  // namespace starwaist
