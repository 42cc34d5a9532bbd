// The commands plan and backlash, from arguments to streams and status.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing::AllOf;
using testing::Contains;
using testing::HasSubstr;
using testing::Not;
using testing_support::Answer;
using testing_support::call;
using testing_support::read;
using testing_support::Words;
using testing_support::write;

class Advice : public testing::Test {
 protected:
  static void SetUpTestSuite() { folder().emplace(); }
  static void TearDownTestSuite() { folder().reset(); }
  static std::optional<testing_support::TemporaryFolder>& folder() {
    static std::optional<testing_support::TemporaryFolder> shared;
    return shared;
  }
  static std::string in(const std::string& name) { return (folder()->path() / name).string(); }
  static Words rig() {
    return {"--f-number", "5",    "--focal-length-mm", "500",
            "--pixel-um", "3.76", "--um-per-step",     "1"};
  }
  static Words with(Words words, const Words& more) {
    words.insert(words.end(), more.begin(), more.end());
    return words;
  }
  // Thirteen rows, inward or outward, best focus commanded at `best`.
  static std::string sweep(bool outward, double best) {
    std::string text;
    for (int i = 0; i < 13; ++i) {
      const double x = 5000 + (outward ? 60 * i - 360 : 360 - 60 * i);
      // A ripple of half a per cent in place of noise.
      const double size =
          2 * std::hypot(1, (x - best) / 100) * (1 + 0.005 * ((i * 7) % 5 - 2) / 1.5);
      text += std::to_string(x) + "," + std::to_string(size) + ",0.02\n";
    }
    return text;
  }
  static constexpr const char* kHead = "position,hfr,sigma\n";
};

TEST_F(Advice, ATableIsARunWhateverItsEnding) {
  for (const std::string ending : {".csv", ".tsv", ".txt"}) {
    write(in("both-in" + ending), kHead + sweep(false, 4970));
    write(in("both-out" + ending), kHead + sweep(true, 5030));
  }
  const auto slack = [](const std::string& ending) {
    return call(
        with({"backlash", in("both-in" + ending), in("both-out" + ending), "--json", "-"}, rig()));
  };
  const Answer csv = slack(".csv");
  EXPECT_EQ(Json::parse(csv.out)["sweeps"].size(), 2U) << csv.err;
  for (const std::string ending : {".tsv", ".txt"}) {
    const Answer same = slack(ending);
    EXPECT_EQ(same.out, csv.out) << same.err;
    EXPECT_EQ(same.status, csv.status);
  }
}

TEST_F(Advice, PlanFromOpticsAlone) {
  const Answer answer = call(with({"plan", "--json", "-"}, rig()));
  EXPECT_EQ(answer.status, 0) << answer.err;
  EXPECT_EQ(answer.err, "");
  const Json plan = Json::parse(answer.out);
  EXPECT_EQ(plan["schema"], "starwaist/plan/1");
  EXPECT_DOUBLE_EQ(plan["critical_focus_zone_um"], 55.0);  // 4 x 0.55 x 25
  EXPECT_DOUBLE_EQ(plan["critical_focus_zone_steps"], 55.0);
  EXPECT_GE(plan["points"], 6);
  EXPECT_GT(plan["expected_sigma_steps"], 0);
  for (const char* key : {"step_steps", "half_range_steps", "frames_per_point", "exposure_s",
                          "um_per_step", "edge_size_ratio", "alternatives", "notes"}) {
    EXPECT_TRUE(plan.contains(key)) << key;
  }
  EXPECT_THAT(call(with({"plan", "--quiet"}, rig())).out, Not(HasSubstr("Notes")));
}

// Nobody said where focus is: how to find it first, in the answer and in the text.
TEST_F(Advice, PlanFindsFocusFirstWhereItIsLost) {
  const Words limits = {"--min-position-steps", "0", "--max-position-steps", "12000"};
  Words words = with({"plan", "--json", "-"}, rig());
  words.insert(words.end(), limits.begin(), limits.end());
  const Json coarse = Json::parse(call(words).out)["coarse"];
  EXPECT_FALSE(coarse["relative"]);
  EXPECT_EQ(coarse["positions_steps"][0], 6000);
  EXPECT_EQ(coarse["look_for_code"], "look_for_rings");
  const Json near = Json::parse(
      call(with({"plan", "--json", "-", "--within-steps", "30000"}, rig())).out)["coarse"];
  EXPECT_TRUE(near["relative"]);
  EXPECT_GT(near["positions_steps"].size(), 2U);
  const std::string text = call(with({"plan"}, rig())).out;
  EXPECT_THAT(text, testing::StartsWith("1. Find it: "));
  EXPECT_THAT(text, HasSubstr("\n2. Then: "));
  const std::string known = call(with({"plan", "--centre-steps", "5000"}, rig())).out;
  EXPECT_THAT(known, testing::StartsWith("Step size:"));
}

TEST_F(Advice, PlanFromARunKnowsItsPositionsAndIsSaved) {
  write(in("rough.csv"), kHead + sweep(true, 5010));
  const Words words = with({"plan", in("rough.csv"), "--f-number", "5", "--pixel-um", "3.76",
                            "--save", in("rig.conf"), "--json", "-"},
                           {});
  const Answer answer = call(words);
  EXPECT_EQ(answer.status, 0) << answer.err;
  const Json plan = Json::parse(answer.out);
  EXPECT_NEAR(plan["centre_steps"], 5010, 5);
  EXPECT_EQ(plan["positions_steps"].size(), plan["points"]);
  // Slope 0.02 px a step over 0.018807 px an um for a clear pupil, the fit's slope 2 to 4 % off.
  EXPECT_NEAR(plan["um_per_step"], 1.063, 0.07);
  EXPECT_THAT(plan["note_codes"], Contains("um_per_step_learnt"));
  EXPECT_THAT(read(in("rig.conf")), HasSubstr("# one step moves the focus by 1.0"));
  // What was saved is read by another command and gives its zone.
  const std::string saved = read(in("rig.conf"));
  EXPECT_THAT(saved, AllOf(HasSubstr("f-number = 5\n"), HasSubstr("um-per-step = ")));
  const Answer fit = call({"fit", in("rough.csv"), "--config", in("rig.conf"), "--json", "-"});
  EXPECT_FALSE(Json::parse(fit.out)["critical_focus_zone_steps"].is_null()) << fit.err;
  EXPECT_EQ(call({"plan", in("rough.csv"), "--config", in("rig.conf"), "--json", "-"}).status, 0);
}

TEST_F(Advice, PlanRefusesWhatItCannotUse) {
  EXPECT_EQ(call({"plan"}).status, 2);
  EXPECT_THAT(call({"plan", "--f-number", "5"}).err, HasSubstr("--um-per-step"));
  EXPECT_EQ(call(with({"plan", "--download-s", "-1"}, rig())).status, 2);
  EXPECT_EQ(call(with({"plan", "--probability", "1"}, rig())).status, 2);
  EXPECT_EQ(call(with({"plan", "--spoiled-share", "0"}, rig())).status, 0);
  EXPECT_EQ(call(with({"plan", "--spoiled-share", "0.5"}, rig())).status, 2);
  EXPECT_EQ(call(with({"plan", "--points", "4"}, rig())).status, 2);
  EXPECT_EQ(call(with({"plan", "--within-steps", "0"}, rig())).status, 2);
  EXPECT_EQ(call(with({"plan", "--points", "5"}, rig())).status, 0);
  EXPECT_EQ(call(with({"plan", in("absent")}, rig())).status, 3);
  write(in("rough2.csv"), kHead + sweep(true, 5010));
  EXPECT_EQ(call(with({"plan", in("rough2.csv"), "--save", in("rough2.csv")}, rig())).status, 3);
  EXPECT_THAT(read(in("rough2.csv")), HasSubstr("position"));
}

TEST_F(Advice, BacklashOfThreeSweepsAndOfOneRecord) {
  write(in("in1.csv"), kHead + sweep(false, 5000));
  write(in("out.csv"), kHead + sweep(true, 5047));
  write(in("in2.csv"), kHead + sweep(false, 5000));
  const Answer answer =
      call(with({"backlash", in("in1.csv"), in("out.csv"), in("in2.csv"), "--json", "-"}, rig()));
  EXPECT_EQ(answer.status, 0) << answer.err << answer.out;
  const Json result = Json::parse(answer.out);
  EXPECT_EQ(result["schema"], "starwaist/backlash/1");
  EXPECT_NEAR(result["backlash_steps"], 47, 3);
  EXPECT_LT(result["interval_95_steps"][0], 47);
  EXPECT_GT(result["interval_95_steps"][1], 47);
  EXPECT_GE(result["takeup_steps"], 47);
  EXPECT_EQ(result["verdict"], "trusted");
  EXPECT_EQ(result["sweeps"].size(), 3U);
  EXPECT_EQ(result["sweeps"][1]["direction"], "outward");
  EXPECT_TRUE(result["remaining_steps"].is_null());
  EXPECT_TRUE(result["reasons"].empty());

  write(in("all.csv"), kHead + sweep(false, 5000) + sweep(true, 5047) + sweep(false, 5000));
  const Answer one = call(with({"backlash", in("all.csv"), "--json", "-"}, rig()));
  EXPECT_NEAR(Json::parse(one.out)["backlash_steps"], 47, 4);
}

TEST_F(Advice, BacklashVerifiesTheTakeUp) {
  write(in("v1.csv"), kHead + sweep(false, 5000));
  write(in("v2.csv"), kHead + sweep(true, 5047));
  const Answer answer = call(with(
      {"backlash", in("v1.csv"), in("v2.csv"), "--verify", in("v1.csv"), "--json", "-"}, rig()));
  const Json result = Json::parse(answer.out);
  EXPECT_NEAR(result["remaining_steps"], 0, 10);
}

TEST_F(Advice, BacklashThatCannotBeToldEndsWithOneAndMissingInputWithThree) {
  write(in("only.csv"), kHead + sweep(true, 5000));
  const Answer answer = call(with({"backlash", in("only.csv"), "--json", "-"}, rig()));
  EXPECT_EQ(answer.status, 1);
  const Json result = Json::parse(answer.out);
  EXPECT_EQ(result["verdict"], "unusable");
  EXPECT_TRUE(result["backlash_steps"].is_null());
  EXPECT_EQ(call({"backlash"}).status, 2);
  EXPECT_EQ(call({"backlash", in("absent.csv"), in("only.csv")}).status, 3);
  EXPECT_EQ(call({"backlash", in("only.csv"), "--lifts", "sideways"}).status, 2);
}

TEST_F(Advice, HelpHasExamplesAndACaution) {
  for (const std::string command : {"plan", "backlash"}) {
    const Answer help = call({command, "--help"});
    EXPECT_EQ(help.status, 0);
    EXPECT_THAT(help.out,
                AllOf(HasSubstr("Examples:\n  starwaist " + command), HasSubstr("Exit status:"),
                      HasSubstr("against"), HasSubstr("--config")));
  }
}

}  // namespace
}  // namespace starwaist
