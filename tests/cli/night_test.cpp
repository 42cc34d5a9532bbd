// The program judges a night of rendered light frames.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
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
using testing_support::read;
using testing_support::TemporaryFolder;
using testing_support::Words;

std::string joined(const std::vector<double>& values) {
  std::string text;
  for (const double v : values) text += (text.empty() ? "" : ",") + std::to_string(v);
  return text;
}

// 21 light frames at one position. The rig's zone is 4 * 0.55 * 25 = 55 um wide; the sensor walks
// out by 150 um from the tenth frame on.
void render_night(const std::string& folder) {
  std::vector<double> positions(21, 5000);
  std::vector<double> offset(21, 0);
  std::vector<double> temperature(21, 9);
  for (std::size_t i = 9; i < 21; ++i) {
    offset[i] = 12.5 * static_cast<double>(i - 8);
    temperature[i] = 9 - 0.25 * static_cast<double>(i - 8);
  }
  const Answer made = call({"render",
                            "--output",
                            folder,
                            "--positions-steps",
                            joined(positions),
                            "--focus-offset-um",
                            joined(offset),
                            "--temperatures-c",
                            joined(temperature),
                            "--width-px",
                            "400",
                            "--height-px",
                            "300",
                            "--star-count",
                            "40",
                            "--exposure-s",
                            "300",
                            "--seed",
                            "8",
                            "--quiet"});
  ASSERT_EQ(made.status, 0) << made.err;
}

TEST(Night, JudgesRenderedFramesAndKeepsThemOnce) {
  const TemporaryFolder folder;
  render_night(folder.in("lights"));
  const Words words = {"night",    folder.in("lights"),
                       "--json",   folder.in("night.json"),
                       "--csv",    folder.in("night.csv"),
                       "--ledger", folder.in("runs.ledger"),
                       "--rig",    "balcony"};
  const Answer answer = call(words);
  ASSERT_LE(answer.status, 1) << answer.err;
  EXPECT_THAT(answer.err, HasSubstr("21 sub-exposures added"));
  const Json json = Json::parse(read(folder.in("night.json")));
  EXPECT_EQ(json["schema"], "starwaist/night/1");
  ASSERT_EQ(json["frames"].size(), 21U);
  EXPECT_LT(json["frames"][3]["loss_percent"].get<double>(), 12);
  EXPECT_GT(json["frames"][20]["loss_percent"].get<double>(), 40);
  ASSERT_EQ(json["periods"].size(), 1U) << json["periods"].dump(1);
  EXPECT_EQ(json["periods"][0]["cause"], "thermal_drift");
  EXPECT_TRUE(json["periods"][0]["from_utc"].is_string());
  EXPECT_TRUE(json["refocus_rule"].is_object());
  EXPECT_EQ(json["verdict"] == "trusted" ? 0 : 1, answer.status);
  const std::string csv = read(folder.in("night.csv"));
  EXPECT_EQ(std::count(csv.begin(), csv.end(), '\n'), 22);
  EXPECT_THAT(csv, HasSubstr("loss_percent"));

  const Answer again = call(words);
  EXPECT_THAT(again.err, HasSubstr("0 sub-exposures added, 21 there already"));
  const Answer check = call({"log", "check", "--ledger", folder.in("runs.ledger"), "--json", "-"});
  EXPECT_EQ(check.status, 0);
  const Json whole = Json::parse(check.out);
  EXPECT_EQ(whole["schema"], "starwaist/log/1");
  EXPECT_EQ(whole["whole"], true);
  EXPECT_EQ(whole["faults"], Json::array());
  EXPECT_EQ(whole["counts"]["measurements"], 21);

  // The same frames while they are taken.
  const Answer watched = call({"watch", folder.in("lights"), "--once", "--json", "-"});
  EXPECT_EQ(watched.status, 0) << watched.err;
  std::istringstream lines(watched.out);
  std::vector<Json> told;
  for (std::string line; std::getline(lines, line);) told.push_back(Json::parse(line));
  ASSERT_EQ(told.size(), 21U);
  for (const Json& line : told) {
    EXPECT_EQ(line["schema"], "starwaist/watch/1");
    EXPECT_EQ(line["mode"], "night");
    EXPECT_TRUE(line["best_focus_steps"].is_null());
  }
  EXPECT_EQ(told[8]["refocus"], false);
  EXPECT_GT(told[20]["loss_percent"].get<double>(), 40);
}

TEST(Night, PlainWordsForWrongUse) {
  const TemporaryFolder folder;
  EXPECT_EQ(call({"night"}).status, 2);
  EXPECT_EQ(call({"night", folder.in("absent")}).status, 3);
  EXPECT_EQ(call({"night", folder.in("absent"), "--plot", "night.gif"}).status, 2);
  EXPECT_EQ(call({"night", folder.in("absent"), "--json", "-", "--csv", "-"}).status, 2);
  EXPECT_EQ(call({"night", folder.in("absent"), "--refocus-minutes", "0"}).status, 2);
}

}  // namespace
}  // namespace starwaist
