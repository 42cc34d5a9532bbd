// starwaist fit --each: many runs, one answer each.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::json;
using testing::HasSubstr;
using testing_support::Answer;
using testing_support::call;
using testing_support::write;

class Each : public testing::Test {
 protected:
  // Positions about 5000 with sizes of a hyperbola with a per cent of hand-made scatter.
  static std::string rows(const std::string& before, double best) {
    std::string text;
    const double scatter[] = {1.005, 0.994, 1.008, 0.997, 1.002, 1.006, 0.995};
    for (int i = 0; i < 7; ++i) {
      const double x = 4850 + 50 * i;
      const double size = std::hypot(2.0, 0.02 * (x - best)) * scatter[i];
      text += before + std::to_string(x) + "," + std::to_string(size) + "\n";
    }
    return text;
  }
  static std::vector<Json> lines_of(const std::string& text) {
    std::vector<Json> lines;
    std::istringstream in(text);
    for (std::string line; std::getline(in, line);) lines.push_back(Json::parse(line));
    return lines;
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  testing_support::TemporaryFolder folder_;
};

TEST_F(Each, AnswersEveryRunOfATableInInputOrder) {
  write(in("nights.csv"), "run,position,hfr\n" + rows("late,", 5010) + "early,5000,2\nearly,x,3\n" +
                              rows("middle,", 4990) + "late,5200,9\n");
  const Answer answer = call({"fit", in("nights.csv"), "--each", "--json", "-"});
  EXPECT_EQ(answer.status, 1) << answer.err;  // one run of them cannot be trusted
  const std::vector<Json> lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 3U);
  EXPECT_EQ(lines[0]["run"], "late");
  EXPECT_EQ(lines[0]["schema"], "starwaist/fit/1");
  EXPECT_EQ(lines[0]["points"].size(), 8U);  // its last row stands at the end of the table
  EXPECT_EQ(lines[1]["run"], "early");
  EXPECT_EQ(lines[1]["verdict"], "unusable");
  EXPECT_FALSE(lines[1]["reasons"].empty());
  EXPECT_EQ(lines[1]["skipped"][0]["file"], "nights.csv line 10");
  EXPECT_EQ(lines[2]["verdict"], "trusted");
  EXPECT_NEAR(lines[2]["best_focus_steps"], 4990, 5);
  EXPECT_THAT(answer.err, HasSubstr("line 10"));

  write(in("good.csv"), "run,position,hfr\n" + rows("a,", 5010) + rows("b,", 4990));
  EXPECT_EQ(call({"fit", in("good.csv"), "--each", "--json", in("out.jsonl")}).status, 0);
  EXPECT_EQ(lines_of(testing_support::read(in("out.jsonl"))).size(), 2U);
  // Without --each a table of several runs is refused, not fitted as one.
  const Answer one = call({"fit", in("good.csv")});
  EXPECT_EQ(one.status, 3);
  EXPECT_THAT(one.err, HasSubstr("--each"));
}

TEST_F(Each, AnswersEveryFolderOfAFolder) {
  for (const char* name : {"run10", "run9", "run11", "run12"}) {
    fs::create_directories(in("nights/") + name);
  }
  write(in("nights/run10/sizes.csv"), "position,hfr\n" + rows("", 5010));
  write(in("nights/run9/sizes.csv"), "position,hfr\n" + rows("", 4990));
  write(in("nights/run12/frame.fits"), "no frame");
  const Answer answer = call({"fit", in("nights"), "--each", "--json", "-"});
  EXPECT_EQ(answer.status, 1) << answer.err;
  const std::vector<Json> lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 4U);
  EXPECT_EQ(lines[0]["run"], "run9");
  EXPECT_EQ(lines[1]["run"], "run10");
  EXPECT_EQ(lines[1]["verdict"], "trusted");
  for (const std::size_t i : {2, 3}) {
    EXPECT_EQ(lines[i]["verdict"], "unusable");
    EXPECT_TRUE(lines[i]["best_focus_steps"].is_null());
    ASSERT_EQ(lines[i]["reasons"].size(), 1U);
  }
  EXPECT_THAT(lines[2]["reasons"][0].get<std::string>(), HasSubstr("run11"));
  EXPECT_THAT(lines[3]["reasons"][0].get<std::string>(), HasSubstr("frame.fits"));
}

TEST_F(Each, PrintsALineARunForPeople) {
  write(in("good.csv"), "run,position,hfr\n" + rows("a,", 5010) + rows("b,", 4990));
  const Answer answer = call({"fit", in("good.csv"), "--each"});
  EXPECT_THAT(answer.out, HasSubstr("a: trusted, 50"));
  EXPECT_THAT(answer.out, HasSubstr("\nb: trusted, 49"));
}

TEST_F(Each, SaysWhatItLacks) {
  write(in("one.csv"), "position,hfr\n1,2\n");
  const Answer no_column = call({"fit", in("one.csv"), "--each"});
  EXPECT_EQ(no_column.status, 3);
  EXPECT_THAT(no_column.err, HasSubstr("'run'"));
  fs::create_directory(in("flat"));
  EXPECT_EQ(call({"fit", in("flat"), "--each"}).status, 3);
  EXPECT_EQ(call({"fit", in("absent"), "--each"}).status, 3);
  EXPECT_EQ(call({"fit", in("one.csv"), "--each", "--plot", in("a.png")}).status, 2);
}

}  // namespace
}  // namespace starwaist
