// starwaist diagnose: findings, status and pages as a user meets them.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "starwaist/report.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing::HasSubstr;
using testing::StartsWith;
using testing_support::Answer;
using testing_support::call;
using testing_support::write;

class DiagnoseCommand : public testing::Test {
 protected:
  // Eleven rows of a hyperbola with hand-made scatter; the focus reaches no place below `reached`.
  static std::string rows(const std::string& before, double reached) {
    std::string text;
    const double scatter[] = {1.004, 0.995, 1.006, 0.997, 1.002, 1.005,
                              0.996, 1.003, 0.994, 1.001, 0.998};
    for (int i = 0; i < 11; ++i) {
      const double x = 4750 + 50 * i;
      const double place = std::max(x, reached);
      const double size = std::hypot(2.0, 0.02 * (place - 5000)) * scatter[i];
      text += before + std::to_string(x) + "," + std::to_string(size) + "\n";
    }
    return text;
  }
  static std::vector<std::string> lines_of(const std::string& text) {
    std::vector<std::string> lines;
    std::istringstream in(text);
    for (std::string line; std::getline(in, line);) lines.push_back(line);
    return lines;
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  testing_support::TemporaryFolder folder_;
};

TEST_F(DiagnoseCommand, SaysThatAHealthyRunCanBeUsed) {
  write(in("good.csv"), "position,hfr\n" + rows("", 0));
  const Answer answer = call({"diagnose", in("good.csv")});
  EXPECT_EQ(answer.status, 0) << answer.out << answer.err;
  EXPECT_THAT(answer.out, StartsWith("Use it: best focus 50"));
}

TEST_F(DiagnoseCommand, TellsInThreeLinesWhatIsWrongAndWhatToDo) {
  write(in("slack.csv"), "position,hfr\n" + rows("", 4880));
  const Answer answer = call({"diagnose", in("slack.csv")});
  EXPECT_EQ(answer.status, 1) << answer.out;
  const auto lines = lines_of(answer.out);
  ASSERT_GE(lines.size(), 3U);
  EXPECT_THAT(lines[1], HasSubstr("slack"));
  EXPECT_THAT(lines[2], StartsWith("What to do: "));
}

TEST_F(DiagnoseCommand, WritesTheDocumentedObject) {
  write(in("slack.csv"), "position,hfr\n" + rows("", 4880));
  const Answer answer = call({"diagnose", in("slack.csv"), "--json", "-"});
  const Json json = Json::parse(answer.out);
  EXPECT_EQ(json["schema"], "starwaist/diagnose/1");
  EXPECT_EQ(json["fit"]["schema"], "starwaist/fit/1");
  EXPECT_EQ(json["fit"]["points"].size(), 11U);
  EXPECT_NE(json["fit"]["verdict"], "trusted");
  EXPECT_EQ(json["healthy"], false);
  const Json& finding = json["findings"][0];
  EXPECT_EQ(finding["cause"], "slack");
  EXPECT_GE(finding["confidence"], 0.5);
  EXPECT_TRUE(finding["settings"]["takeup_steps"].is_number_integer());
  for (const char* key : {"share", "summary", "evidence", "remedy"}) {
    EXPECT_TRUE(finding.contains(key)) << key;
  }
  EXPECT_TRUE(finding["evidence"][0].contains("what"));
  EXPECT_TRUE(finding["evidence"][0].contains("value"));
  EXPECT_TRUE(finding["evidence"][0].contains("unit"));

  write(in("good.csv"), "position,hfr\n" + rows("", 0));
  const Json good = Json::parse(call({"diagnose", in("good.csv"), "--json", "-"}).out);
  EXPECT_EQ(good["healthy"], true);
  EXPECT_TRUE(good["findings"].is_array());
  EXPECT_TRUE(good["findings"].empty());
}

TEST_F(DiagnoseCommand, AnswersEachRunAndCountsTheCauses) {
  write(in("nights.csv"), "run,position,hfr\n" + rows("a,", 0) + rows("b,", 4880));
  const Answer answer = call({"diagnose", in("nights.csv"), "--each", "--json", "-"});
  EXPECT_EQ(answer.status, 1) << answer.err;
  const auto lines = lines_of(answer.out);
  ASSERT_EQ(lines.size(), 2U);
  EXPECT_EQ(Json::parse(lines[0])["run"], "a");
  EXPECT_EQ(Json::parse(lines[1])["findings"][0]["cause"], "slack");
  EXPECT_THAT(answer.err, HasSubstr("1 of 2 runs"));
  EXPECT_THAT(answer.err, HasSubstr("1 with slack"));
}

TEST_F(DiagnoseCommand, ExplainsACause) {
  const Answer page = call({"diagnose", "--explain", "slack"});
  EXPECT_EQ(page.status, 0);
  EXPECT_EQ(page.out, explain_text(cause_page("slack").value()));
  EXPECT_EQ(call({"diagnose", "--explain", "list"}).out, explain_list(cause_pages()));
  const Answer unknown = call({"diagnose", "--explain", "gremlins"});
  EXPECT_EQ(unknown.status, 2);
  EXPECT_THAT(unknown.err, HasSubstr("slack"));
}

TEST_F(DiagnoseCommand, AsksForAnInput) { EXPECT_EQ(call({"diagnose"}).status, 2); }

}  // namespace
}  // namespace starwaist
