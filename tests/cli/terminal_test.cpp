// The width that answers are laid out for, and the answer in one line.
#include "terminal.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <sstream>
#include <string>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::AllOf;
using testing::EndsWith;
using testing::HasSubstr;
using testing::Not;
using testing::StartsWith;
using testing_support::Answer;
using testing_support::call;
using testing_support::Words;
using testing_support::write;

// A terminal of its own, of a given width.
class Terminal {
 public:
  explicit Terminal(unsigned short columns) : master_(posix_openpt(O_RDWR | O_NOCTTY)) {
    if (master_ < 0 || grantpt(master_) != 0 || unlockpt(master_) != 0) return;
    screen_ = open(ptsname(master_), O_RDWR | O_NOCTTY);
    const winsize size = {.ws_row = 24, .ws_col = columns, .ws_xpixel = 0, .ws_ypixel = 0};
    ioctl(screen_, TIOCSWINSZ, &size);
  }
  ~Terminal() {
    close(screen_);
    close(master_);
  }
  Terminal(const Terminal&) = delete;
  Terminal& operator=(const Terminal&) = delete;
  [[nodiscard]] int screen() const { return screen_; }

 private:
  int master_ = -1;
  int screen_ = -1;
};

TEST(LineWidth, IsWhatTheTerminalSays) {
  const Terminal narrow(42);
  ASSERT_GE(narrow.screen(), 0);
  EXPECT_EQ(tool::line_width(narrow.screen(), nullptr), 42U);
  const Terminal wide(132);
  EXPECT_EQ(tool::line_width(wide.screen(), nullptr), 132U);
  const Terminal unknown(0);
  EXPECT_EQ(tool::line_width(unknown.screen(), nullptr), 79U);
}

TEST(LineWidth, HeedsColumnsOnATerminalAlone) {
  const Terminal narrow(42);
  EXPECT_EQ(tool::line_width(narrow.screen(), "60"), 60U);
  for (const char* useless : {"", "wide", "-5", "0", "1e9"}) {
    EXPECT_EQ(tool::line_width(narrow.screen(), useless), 42U) << useless;
  }
  int ends[2] = {-1, -1};
  ASSERT_EQ(pipe(ends), 0);
  EXPECT_EQ(tool::line_width(ends[1], "60"), 79U);
  close(ends[0]);
  close(ends[1]);
}

class OneLine : public testing::Test {
 protected:
  void SetUp() override {
    write(in("good.csv"),
          "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n5000,2.00,0.02\n"
          "5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n");
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  static void expect_short(const std::string& text) {
    EXPECT_EQ(std::count(text.begin(), text.end(), '\n'), 1) << text;
    EXPECT_LE(text.size(), 62U) << text;  // a ± has two bytes, and the line break counts
  }
  testing_support::TemporaryFolder folder_;
};

TEST_F(OneLine, IsTheSameForFitAndDiagnose) {
  const Answer fit = call({"fit", in("good.csv"), "--short"});
  EXPECT_EQ(fit.status, 0) << fit.err;
  expect_short(fit.out);
  EXPECT_THAT(fit.out, AllOf(StartsWith("500"), HasSubstr(" from below: use it (± ")));
  EXPECT_EQ(call({"diagnose", in("good.csv"), "--short"}).out, fit.out);
}

TEST_F(OneLine, LeavesStandardOutputToJson) {
  const Answer answer = call({"fit", in("good.csv"), "--short", "--json", "-"});
  EXPECT_THAT(answer.out, AllOf(StartsWith("{"), Not(HasSubstr("use it"))));
}

TEST_F(OneLine, NamesTheRunWithEach) {
  write(in("nights.csv"), "run,position,hfr\na,4900,2.8\na,5000,2\nb,5000,2\n");
  const Answer answer = call({"fit", in("nights.csv"), "--each", "--short"});
  EXPECT_THAT(answer.out, StartsWith("a: "));
  EXPECT_THAT(answer.out, HasSubstr("\nb: do not use this run: "));
}

TEST_F(OneLine, OfDriftAndBacklash) {
  write(
      in("focus.csv"),
      "position,temperature,sigma\n5100,0,2\n5081,2,2\n5058,4,2\n5041,6,2\n5020,8,2\n4999,10,2\n");
  const Answer drift = call({"drift", in("focus.csv"), "--short"});
  expect_short(drift.out);
  EXPECT_THAT(drift.out, AllOf(StartsWith("-10.1 ± "), HasSubstr("steps/°C")));
  const Answer backlash = call({"backlash", in("good.csv"), "--short"});
  EXPECT_THAT(backlash.out, StartsWith("do not use these sweeps"));
}

// What a run's frames say while it is taken and afterwards: the last answer of watch is that of
// fit.
TEST_F(OneLine, OfWatchIsThatOfFitOnceAllFramesAreThere) {
  const Words rig = {"--focal-length-mm", "480",  "--f-number",    "5",
                     "--pixel-um",        "3.76", "--um-per-step", "2"};
  const auto with_rig = [&](Words words) {
    words.insert(words.end(), rig.begin(), rig.end());
    return words;
  };
  ASSERT_EQ(
      call(with_rig({"render", "--output", in("run"), "--start", "4880", "--step", "40", "--points",
                     "7", "--width-px", "400", "--height-px", "300", "--star-count", "40"}))
          .status,
      0);
  std::string fit = call(with_rig({"fit", in("run"), "--short"})).out;
  fit.pop_back();
  const Answer watch = call(with_rig({"watch", in("run"), "--once", "--short"}));
  expect_short(watch.out);
  EXPECT_THAT(watch.out, StartsWith(fit));
  const std::string opening = call(with_rig({"diagnose", in("run"), "--quiet"})).out;
  EXPECT_THAT(call(with_rig({"watch", in("run"), "--once"})).out, EndsWith("\n" + opening));
}

}  // namespace
}  // namespace starwaist
