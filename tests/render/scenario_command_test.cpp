// Scenarios on the command line of `starwaist render` and in truth.json.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "starwaist_tool.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;

class RenderScenario : public ::testing::Test {
 protected:
  int run(std::vector<std::string> arguments) {
    const std::vector<std::string> small = {"--width-px",       "64",
                                            "--height-px",      "64",
                                            "--star-count",     "2",
                                            "--wavelengths-um", "0.55",
                                            "--output",         folder_.string(),
                                            "--force"};
    arguments.insert(arguments.begin(), "render");
    arguments.insert(arguments.end(), small.begin(), small.end());
    out_.str("");
    err_.str("");
    return tool::run_tool(arguments, {out_, err_, false, {}});
  }
  [[nodiscard]] nlohmann::json truth() const {
    std::ifstream in(folder_ / "truth.json");
    return nlohmann::json::parse(in, nullptr, false);
  }
  testing_support::TemporaryFolder own_;  // tests run beside each other
  fs::path folder_ = own_.path() / "run";
  std::ostringstream out_;
  std::ostringstream err_;
};

TEST_F(RenderScenario, IsNamedWithItsStrengthAndStandsInTheTruth) {
  ASSERT_EQ(run({"--scenario", "slack:2,fogging", "--strength", "1.5"}), 0) << err_.str();
  const auto json = truth();
  ASSERT_EQ(json["scenarios"].size(), 2U);
  EXPECT_EQ(json["scenarios"][0]["cause"], "slack");
  EXPECT_EQ(json["scenarios"][0]["strength"], 2.0);
  EXPECT_EQ(json["scenarios"][0]["unit"], "steps");
  EXPECT_EQ(json["scenarios"][0]["amount"], json["options"]["slack_steps"]);
  EXPECT_EQ(json["scenarios"][1]["cause"], "fogging");
  EXPECT_EQ(json["scenarios"][1]["strength"], 1.5);
  EXPECT_FALSE(json["options"].contains("scenarios"));
  EXPECT_FALSE(json["options"].contains("shake_px"));
  // The same by two options; positions may be given, too.
  ASSERT_EQ(run({"--scenario", "slack", "--scenario", "fogging:3", "--start", "4900", "--step",
                 "50", "--points", "4"}),
            0)
      << err_.str();
  EXPECT_EQ(truth()["scenarios"][0]["strength"], 1.0);
  EXPECT_EQ(truth()["scenarios"][1]["strength"], 3.0);
  EXPECT_EQ(truth()["frames"].size(), 4U);
}

TEST_F(RenderScenario, WrongNamesAndStrengthsEndWithStatusTwo) {
  EXPECT_EQ(run({"--scenario", "fog"}), 2);
  EXPECT_NE(err_.str().find("fogging"), std::string::npos);
  EXPECT_EQ(run({"--scenario", "fogging:much"}), 2);
  EXPECT_NE(err_.str().find("slack:2"), std::string::npos);
  EXPECT_EQ(run({"--scenario", "fogging:-1"}), 2);
  EXPECT_EQ(run({"--scenario", "fogging", "--strength", "0"}), 2);
  EXPECT_FALSE(fs::exists(folder_ / "truth.json"));
}

TEST_F(RenderScenario, WithoutOneTheTruthIsAsBefore) {
  ASSERT_EQ(run({"--start", "4900", "--step", "50", "--points", "3"}), 0) << err_.str();
  EXPECT_FALSE(truth().contains("scenarios"));
  EXPECT_FALSE(truth()["options"].contains("slack_steps"));
  EXPECT_TRUE(truth()["options"].contains("focus_offset_um"));
}

}  // namespace
}  // namespace starwaist
