// What the program refuses before it works or writes: outputs that would destroy something, options
// and files of nonsense.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::Words;
using testing_support::write;

constexpr const char* kRows =
    "position,hfr,sigma\n4900,2.83,0.02\n4950,2.25,0.02\n4975,2.07,0.02\n5000,2.00,0.02\n"
    "5025,2.05,0.02\n5050,2.24,0.02\n5100,2.82,0.02\n";
constexpr const char* kDemoFrame = STARWAIST_SOURCE_DIR "/demo-frames/frame_05.fits.fz";

class Guards : public testing::Test {
 protected:
  Guards() {
    write(in("run.csv"), kRows);
    write(in("rig.conf"), kRig);
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  static constexpr const char* kRig = "f-number = 5\npixel-um = 3.76\num-per-step = 2\n";
  testing_support::TemporaryFolder folder_;
};

TEST_F(Guards, TheFileOfOptionsIsNeverReplaced) {
  const std::string rig = in("rig.conf");
  fs::create_symlink(rig, in("link.conf"));
  const std::vector<Words> ways = {
      {"fit", in("run.csv"), "--json", rig, "--config", rig},
      {"fit", in("run.csv"), "--json", in("link.conf"), "--config", rig},
      {"measure", kDemoFrame, "--csv", rig, "--config", rig},
      {"plan", "--config", rig, "--save", rig},
      {"fit", in("run.csv"), "--each", "--json", rig, "--config", rig},
      {"backlash", in("run.csv"), "--json", rig, "--config", rig}};
  for (const Words& words : ways) {
    const Answer answer = call(words);
    EXPECT_EQ(answer.status, 3) << words.front() << answer.out;
    EXPECT_THAT(answer.err, HasSubstr(".conf"));
    EXPECT_EQ(read(rig), kRig) << words.front();
  }
}

TEST_F(Guards, ATableInsideAFolderOfRunsIsNeverReplaced) {
  fs::create_directories(in("nights/a"));
  write(in("nights/a/sizes.csv"), kRows);
  const std::string table = in("nights/a/sizes.csv");
  const Answer each = call({"fit", in("nights"), "--each", "--json", table});
  EXPECT_EQ(each.status, 3) << each.out;
  const Answer drift = call({"drift", in("nights"), "--json", table});
  EXPECT_EQ(drift.status, 3) << drift.out;
  EXPECT_EQ(read(table), kRows);
  // An older answer beside them is replaced.
  for (int i = 0; i < 2; ++i) {
    EXPECT_NE(call({"fit", in("nights"), "--each", "--json", in("nights/all.json")}).status, 3);
  }
}

TEST_F(Guards, AFileOfOptionsOfNonsenseIsNamed) {
  write(in("words.conf"), "this is no file of options\n");
  write(in("zero.conf"), std::string("\0\1\2 = 5", 8));
  write(in("section.conf"), "[rig]\nf-number = 5\n");
  for (const std::string name : {"words.conf", "zero.conf", "section.conf", "absent.conf", "."}) {
    const Answer answer = call({"fit", in("run.csv"), "--config", in(name)});
    EXPECT_EQ(answer.status, 2) << name;
    EXPECT_THAT(answer.err, AllOf(HasSubstr("--config"), HasSubstr(in(name)))) << name;
  }
  write(in("value.conf"), "f-number = five\n");
  EXPECT_THAT(call({"fit", in("run.csv"), "--config", in("value.conf")}).err,
              AllOf(HasSubstr("--f-number"), HasSubstr("'five'")));
  const Answer device = call({"fit", in("run.csv"), "--config", "/dev/zero"});
  EXPECT_EQ(device.status, 2);
  EXPECT_THAT(device.err, HasSubstr("/dev/zero"));
}

TEST_F(Guards, DevicesAreNoFramesAndNoTables) {
  fs::create_symlink("/dev/zero", in("zero.csv"));
  for (const std::string& file : {std::string("/dev/zero"), in("zero.csv")}) {
    const Answer answer = call({"fit", file});
    EXPECT_EQ(answer.status, 3);
    EXPECT_THAT(answer.err, AllOf(HasSubstr("zero"), HasSubstr("regular file")));
  }
}

TEST_F(Guards, LimitsTheWrongWayRoundAreNamedByTheirOptions) {
  const Answer answer =
      call({"fit", in("run.csv"), "--min-position-steps", "5000", "--max-position-steps", "100"});
  EXPECT_EQ(answer.status, 2);
  EXPECT_THAT(answer.err,
              AllOf(HasSubstr("--min-position-steps"), HasSubstr("--max-position-steps")));
}

TEST_F(Guards, AnOutputThatCannotBeWrittenIsNamed) {
  for (const std::string& to : {in("absent/out.json"), std::string("/dev/full"), in(".")}) {
    const Answer answer = call({"fit", in("run.csv"), "--json", to});
    EXPECT_EQ(answer.status, 3) << to;
    EXPECT_THAT(answer.err, HasSubstr(to));
    EXPECT_EQ(answer.out, "") << to;
  }
}

// A folder named without a slash lies in the current one.
TEST_F(Guards, AnOverlayFolderThatIsNotThereIsMade) {
  const fs::path before = fs::current_path();
  fs::current_path(folder_.path());
  const Answer here = call({"measure", kDemoFrame, "--overlay", "new"});
  fs::current_path(before);
  EXPECT_EQ(here.status, 0) << here.err;
  EXPECT_TRUE(fs::exists(in("new/frame_05.fits.fz.png")));
  EXPECT_EQ(call({"measure", kDemoFrame, "--overlay", in("a/b/c")}).status, 0);
  EXPECT_TRUE(fs::exists(in("a/b/c/frame_05.fits.fz.png")));
}

TEST_F(Guards, NoPatternOfANameTakesLong) {
  const std::string name = in(std::string(200, 'a') + ".fits.fz");
  fs::copy_file(kDemoFrame, name);
  const auto start = std::chrono::steady_clock::now();
  EXPECT_EQ(call({"measure", name, "--position-from-name", "(a+)+b", "--quiet"}).status, 0);
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
  EXPECT_LT(took.count(), 20);  // of which the measurement has all
  for (const std::string pattern : {"(a", "a", "(?=a)", "((((a{99}){99}){99}){99})"}) {
    const Answer answer = call({"measure", name, "--position-from-name", pattern});
    EXPECT_EQ(answer.status, 2) << pattern;
    EXPECT_THAT(answer.err, HasSubstr("--position-from-name"));
  }
}

}  // namespace
}  // namespace starwaist
