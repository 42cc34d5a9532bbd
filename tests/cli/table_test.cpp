// Tables through the whole program: what is read, what is refused and how soon.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <cmath>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using testing_support::Answer;
using testing_support::call;
using testing_support::write;

class Tables : public testing::Test {
 protected:
  // Thirteen rows of a hyperbola of 2 px about `best` with 0.02 px of noise.
  std::string sweep(double best, const std::string& before = {}) {
    std::normal_distribution<double> noise(0, 0.02);
    std::string text;
    for (int position = 4700; position <= 5300; position += 50) {
      const double size = std::hypot(2.0, 0.02 * (position - best)) + noise(random_);
      text += before + std::to_string(position) + "," + std::to_string(size) + "\n";
    }
    return text;
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }
  testing_support::TemporaryFolder folder_;
  std::mt19937 random_{11};
};

TEST_F(Tables, TwoRunsWithoutAColumnRunAreNamedSo) {
  write(in("two.csv"), "position,hfr\n" + sweep(5000) + sweep(5080));
  for (const std::string command : {"fit", "diagnose"}) {
    const Answer answer = call({command, in("two.csv")});
    EXPECT_EQ(answer.status, 3) << answer.out;
    EXPECT_THAT(answer.err, AllOf(HasSubstr("two.csv"), HasSubstr("two runs"), HasSubstr("row 14"),
                                  HasSubstr("'run'"), Not(HasSubstr("jumped"))));
  }
  write(in("named.csv"), "run,position,hfr\n" + sweep(5000, "a,") + sweep(5080, "b,"));
  EXPECT_EQ(call({"fit", in("named.csv"), "--each"}).status, 0);
}

TEST_F(Tables, SweepsOverOneBestFocusAreRepeatsOfOneRun) {
  write(in("same.csv"), "position,hfr\n" + sweep(5000) + sweep(5000));
  const Answer answer = call({"fit", in("same.csv"), "--json", "-"});
  EXPECT_EQ(answer.status, 0) << answer.err;
  const Json fit = Json::parse(answer.out);
  EXPECT_EQ(fit["points"].size(), 26U);
  EXPECT_NEAR(fit["best_focus_steps"], 5000, 3);
  EXPECT_THAT(fit["note_codes"].dump(), HasSubstr("positions_start_again"));
}

TEST_F(Tables, SweepsThatTheColumnRunJoinsAreOneRun) {
  // Their difference is for the judgement: a jump, or a drift.
  write(in("named.csv"), "run,position,hfr\n" + sweep(5000, "a,") + sweep(5080, "a,"));
  for (const std::vector<std::string>& words :
       {std::vector<std::string>{"fit", in("named.csv"), "--json", "-"},
        std::vector<std::string>{"fit", in("named.csv"), "--each", "--json", "-"}}) {
    const Answer answer = call(words);
    EXPECT_EQ(answer.status, 1) << answer.err;
    const Json fit = Json::parse(answer.out);
    EXPECT_EQ(fit["points"].size(), 26U);
    EXPECT_NE(fit["verdict"], "trusted");
    EXPECT_THAT(fit["note_codes"].dump(), HasSubstr("positions_start_again"));
  }
}

// A focuser that counts in millimetres: nothing is rounded to whole ones.
TEST_F(Tables, PositionsWithDecimalsKeepThem) {
  std::normal_distribution<double> noise(0, 0.01);
  std::string text = "position,hfr,sigma\n";
  for (int i = 0; i < 13; ++i) {
    const double position = 12.30 + 0.05 * i;
    const double reached = i < 7 ? position : position - 0.12;
    text += std::to_string(position) + "," +
            std::to_string(std::hypot(2.0, 20 * (reached - 12.55)) + noise(random_)) + ",0.01\n";
  }
  write(in("mm.csv"), text);
  const Json answer = Json::parse(call({"diagnose", in("mm.csv"), "--json", "-"}).out);
  ASSERT_FALSE(answer["findings"].empty()) << answer.dump();
  EXPECT_EQ(answer["findings"][0]["cause"], "focus_jump");
  const std::string summary = answer["findings"][0]["summary"];
  EXPECT_THAT(summary, AllOf(HasSubstr("jumped by about 0.1"), HasSubstr("now near 12.6")));
  EXPECT_EQ(answer["fit"]["move"], nullptr);
}

TEST_F(Tables, ThereAndBackIsOneRun) {
  // The way back shows slack of 60 steps: nothing that starts again.
  std::string text = "position,hfr\n";
  for (int i = 0; i < 13; ++i) {
    const double position = 4700 + 50 * i;
    text += std::to_string(position) + "," +
            std::to_string(std::hypot(2.0, 0.02 * (position - 5000))) + "\n";
  }
  for (int i = 12; i >= 0; --i) {
    const double position = 4700 + 50 * i;
    const double reached = std::min(5300.0, position + 60);
    text += std::to_string(position) + "," +
            std::to_string(std::hypot(2.0, 0.02 * (reached - 5000))) + "\n";
  }
  write(in("back.csv"), text);
  const Answer answer = call({"fit", in("back.csv"), "--json", "-"});
  EXPECT_NE(answer.status, 3) << answer.err;
  EXPECT_THAT(Json::parse(answer.out)["note_codes"].dump(),
              Not(HasSubstr("positions_start_again")));
}

TEST_F(Tables, MoreRowsThanARunCanHaveAreRefusedAtOnce) {
  std::string text = "position,hfr\n";
  for (int i = 0; i < 20000; ++i) text += std::to_string(4700 + i % 600) + ",2.5\n";
  write(in("long.csv"), text);
  const auto start = std::chrono::steady_clock::now();
  const Answer answer = call({"diagnose", in("long.csv")});
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
  EXPECT_EQ(answer.status, 3);
  EXPECT_THAT(answer.err, AllOf(HasSubstr("long.csv"), HasSubstr("20000 rows"), HasSubstr("500")));
  EXPECT_LT(took.count(), 2);
}

TEST_F(Tables, FitReadsWhatMeasureWrites) {
  ASSERT_EQ(call({"render", "--output", in("run"), "--start", "4880", "--step", "40", "--points",
                  "7", "--width-px", "400", "--height-px", "300", "--star-count", "40", "--quiet"})
                .status,
            0);
  ASSERT_EQ(call({"measure", in("run"), "--csv", in("sizes.csv"), "--quiet"}).status, 0);
  const Answer answer = call({"fit", in("sizes.csv"), "--json", "-"});
  ASSERT_NE(answer.status, 3) << answer.err;
  const Json fit = Json::parse(answer.out);
  EXPECT_EQ(fit["points"].size(), 7U);
  EXPECT_EQ(fit["points"][6]["position_steps"], 5120);
  EXPECT_GT(fit["points"][6]["sigma_px"], 0);
  const Json frames = Json::parse(call({"fit", in("run"), "--json", "-"}).out);
  EXPECT_NEAR(fit["best_focus_steps"], frames["best_focus_steps"], 5);
}

}  // namespace
}  // namespace starwaist
