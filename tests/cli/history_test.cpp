// drift and log as commands.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <random>
#include <string>

#include "cli/call_program.h"
#include "support/drift_nights.h"
#include "support/needed.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing::AllOf;
using testing::HasSubstr;
using testing_support::call;
using testing_support::read;
using testing_support::TemporaryFolder;
using testing_support::Words;

// A table of two nights: slope -12, filters L and Ha, row 7 off.
std::string nights_table() {
  std::mt19937_64 random(12);
  testing_support::NightsOptions o;
  o.nights = 2;
  o.filters = 2;
  o.scatter = 2;
  const auto made = testing_support::make_nights(o, random);
  std::string text = "position,temperature,sigma,filter,time\n";
  for (const auto& run : made.runs) {
    text += std::to_string(run.position_steps + (run.row == 7 ? 80 : 0)) + "," +
            std::to_string(*run.temperature_c) + "," + std::to_string(*run.sigma_steps) + "," +
            *run.filter + "," + *run.time_utc + "\n";
  }
  return text;
}

// In the hour `hour` of one night.
std::string sizes_about(double best, int hour = 20, int points = 9) {
  std::string text = "position,hfr,sigma,temperature,time,filter\n";
  for (int i = -4; i < points - 4; ++i) {
    const double size = std::hypot(2.0, 0.02 * (best - 5000 + 3 - 40 * i)) + 0.01 * (i % 2);
    text += std::to_string(5000 + 40 * i) + "," + std::to_string(size) + ",0.02,4.5,2027-01-05T" +
            std::to_string(hour) + ":0" + std::to_string(i + 4) + ":00,L\n";
  }
  return text;
}

TEST(DriftCommand, AnswersInTheDocumentedWords) {
  const TemporaryFolder folder;
  const std::string table = folder.write("focus.csv", nights_table());
  const auto answer = call({"drift", table, "--json", "-", "--predict", "2,B", "--predict", "-3",
                            "--f-number", "5", "--pixel-um", "3.76", "--um-per-step", "1"});
  EXPECT_EQ(answer.status, 0) << answer.err << answer.out;
  const Json json = Json::parse(answer.out);
  EXPECT_EQ(json["schema"], "starwaist/drift/1");
  EXPECT_NEAR(json["slope_steps_per_c"].get<double>(), -12, 1.5);
  EXPECT_EQ(json["slope_interval_95"].size(), 2U);
  EXPECT_EQ(json["filters"].size(), 2U);
  EXPECT_EQ(json["filters"][0]["offset_steps"], 0);
  EXPECT_EQ(json["rejected"][0]["row"], 7);
  ASSERT_EQ(json["predictions"].size(), 2U);
  EXPECT_EQ(json["predictions"][0]["filter"], "B");
  EXPECT_EQ(json["predictions"][0]["interval_95_steps"].size(), 2U);
  // 2 lambda N^2 = 27.5 um = 27.5 steps.
  EXPECT_NEAR(json["refocus_every_c"].get<double>(),
              27.5 / std::abs(json["slope_steps_per_c"].get<double>()), 1e-9);
  EXPECT_TRUE(json["lag_minutes"].is_null());
  for (const char* key : {"slope_sigma", "reference_temperature_c", "position_at_reference_steps",
                          "residual_rms_steps", "verdict", "reasons"}) {
    EXPECT_TRUE(json.contains(key)) << key;
  }
}

TEST(DriftCommand, WrongUsageAndNoInput) {
  const TemporaryFolder folder;
  const std::string table = folder.write("focus.csv", nights_table());
  EXPECT_EQ(call({"drift"}).status, 2);
  EXPECT_EQ(call({"drift", table, "--predict", "warm"}).status, 2);
  EXPECT_EQ(call({"drift", table, "--tube", "cheese"}).status, 2);
  EXPECT_EQ(call({"drift", table, "--plot", "a.pdf"}).status, 2);
  EXPECT_EQ(call({"drift", table, "--ledger", table}).status, 2);
  EXPECT_EQ(call({"drift", folder.in("absent.csv")}).status, 3);
  EXPECT_EQ(call({"drift", "--ledger", table}).status, 3);
  const std::string few =
      folder.write("few.csv", "position;temperature\n5000,5;4,5\nx;3\n5010;3\n");
  const auto answer = call({"drift", few});
  EXPECT_EQ(answer.status, 1);
  EXPECT_THAT(answer.err, HasSubstr("few.csv line 3"));
}

TEST(LogCommand, WhatTheRigTookInTheSameTimeReplacesWithAWord) {
  const TemporaryFolder folder;
  const std::string ledger = folder.in("runs.ledger");
  std::filesystem::create_directory(folder.path() / "run");
  folder.write("run/sizes.csv", sizes_about(5012));
  const Words add = {"log", "add", folder.in("run"), "--ledger", ledger, "--rig", "balcony"};
  ASSERT_EQ(call(add).status, 0);
  folder.write("run/sizes.csv", sizes_about(5012, 20, 8));
  const auto again = call(add);
  EXPECT_EQ(again.status, 0) << again.err;
  EXPECT_THAT(again.out, AllOf(HasSubstr("replaced"), HasSubstr("run 1"),
                               HasSubstr("0 runs added, 1 replaced, 0 there already")));
  const Json list = Json::parse(call({"log", "list", "--ledger", ledger, "--json", "-"}).out);
  ASSERT_EQ(list["runs"].size(), 1U);
  EXPECT_EQ(list["runs"][0]["from_utc"], "2027-01-05T20:00:00");
  EXPECT_EQ(list["runs"][0]["until_utc"], "2027-01-05T20:07:00");
}

TEST(LogCommand, RemovesNotesMergesAndSaysWhyARunIsDoubtful) {
  const TemporaryFolder folder;
  const std::string desk = folder.in("desk.ledger");
  const std::string small = folder.in("small.ledger");
  const std::string whole = folder.write("whole.csv", sizes_about(5012));
  const std::string part = folder.write("part.csv", sizes_about(4990, 21, 4));  // too few points
  ASSERT_EQ(call({"log", "add", whole, "--ledger", desk}).status, 0);
  ASSERT_EQ(call({"log", "add", whole, part, "--ledger", small}).status, 0);
  const auto merged = call({"log", "merge", small, "--ledger", desk});
  EXPECT_EQ(merged.status, 0) << merged.err;
  EXPECT_THAT(merged.out, HasSubstr("1 run added, 1 there already"));
  EXPECT_EQ(call({"log", "merge", desk, "--ledger", desk}).status, 2);

  const auto reasons =
      Json::parse(call({"log", "list", "--ledger", desk, "--json", "-"}).out)["runs"][1]["reasons"];
  ASSERT_FALSE(reasons.empty());
  EXPECT_EQ(call({"log", "note", "1", "new", "coupling", "--ledger", desk}).status, 0);
  const auto list = call({"log", "list", "--ledger", desk}).out;
  EXPECT_THAT(list, AllOf(HasSubstr("Run 1: note: new coupling"), HasSubstr("Run 2: ")));
  const std::string first_words = reasons[0].get<std::string>().substr(0, 20);
  EXPECT_THAT(list, HasSubstr(first_words));

  EXPECT_EQ(call({"log", "remove", "2", "--ledger", desk}).status, 0);
  EXPECT_EQ(Json::parse(call({"log", "list", "--ledger", desk, "--json", "-"}).out)["runs"].size(),
            1U);
  const auto absent = call({"log", "remove", "2", "--ledger", desk});
  EXPECT_EQ(absent.status, 3);
  EXPECT_THAT(absent.err, AllOf(HasSubstr("run 2"), HasSubstr("log list")));
  for (const Words& wrong :
       {Words{"log", "remove", "--ledger", desk}, Words{"log", "remove", "two", "--ledger", desk},
        Words{"log", "note", "1.5", "x", "--ledger", desk}, Words{"log", "merge", "--ledger", desk},
        Words{"log", "erase", "1", "--ledger", desk}}) {
    EXPECT_EQ(call(wrong).status, 2) << wrong[1];
  }
}

TEST(LogCommand, AddsOnceListsExportsAndFeedsDrift) {
  const TemporaryFolder folder;
  const std::string ledger = folder.in("runs.ledger");
  std::filesystem::create_directories(folder.path() / "nights" / "one" / "run_1");
  std::filesystem::create_directories(folder.path() / "nights" / "one" / "run_2");
  folder.write("nights/one/run_1/sizes.csv", sizes_about(5012));
  folder.write("nights/one/run_2/sizes.csv", sizes_about(4990, 21));
  const auto added =
      call({"log", "add", folder.in("nights"), "--ledger", ledger, "--rig", "balcony"});
  EXPECT_EQ(added.status, 0) << added.err;
  EXPECT_THAT(added.out, AllOf(HasSubstr("added, run 1"), HasSubstr("2 runs added, 0 there")));
  EXPECT_THAT(call({"log", "add", folder.in("nights"), "--ledger", ledger}).out,
              HasSubstr("0 runs added, 2 there already"));
  // The answer of fit in JSON is the same run.
  call({"fit", folder.in("nights/one/run_1"), "--json", folder.in("fit.json")});
  EXPECT_THAT(call({"log", "add", folder.in("fit.json"), "--ledger", ledger}).out,
              HasSubstr("0 runs added, 1 there already"));
  const Json list =
      Json::parse(call({"log", "list", "--ledger", ledger, "--json", "-", "--filter", "L"}).out);
  EXPECT_EQ(list["schema"], "starwaist/log/1");
  ASSERT_EQ(list["runs"].size(), 2U);
  EXPECT_EQ(list["runs"][0]["temperature_c"], 4.5);
  EXPECT_EQ(list["runs"][0]["time_utc"], "2027-01-05T20:04:00");
  EXPECT_EQ(list["runs"][0]["rig"], "balcony");
  EXPECT_EQ(list["runs"][0]["verdict"], "trusted");
  EXPECT_FALSE(list["runs"][0].contains("points"));
  EXPECT_EQ(call({"log", "add", folder.write("focus.csv", nights_table()), "--ledger", ledger,
                  "--rig", "balcony"})
                .status,
            0);
  const auto drift = call({"drift", "--ledger", ledger, "--json", "-"});
  EXPECT_EQ(Json::parse(drift.out)["runs"], 26) << drift.err;
  // An export is a table that drift and add take.
  EXPECT_EQ(call({"log", "export", "--ledger", ledger, "--csv", folder.in("all.csv")}).status, 0);
  EXPECT_EQ(Json::parse(call({"drift", folder.in("all.csv"), "--json", "-"}).out)["runs"], 26);
  EXPECT_THAT(call({"log", "add", folder.in("all.csv"), "--ledger", ledger}).out,
              HasSubstr("0 runs added, 26 there already"));
  EXPECT_EQ(call({"log", "export", "--ledger", ledger, "--json", folder.in("all.json")}).status, 0);
  EXPECT_THAT(call({"log", "add", folder.in("all.json"), "--ledger", folder.in("new.ledger")}).out,
              HasSubstr("26 runs added"));
  const auto check = call({"log", "check", "--ledger", ledger});
  EXPECT_EQ(check.status, 0);
  EXPECT_THAT(check.out, HasSubstr("whole: 26 runs with 18 points"));
  EXPECT_THAT(call({"log", "list", "--ledger", ledger, "--until", "2026"}).out,
              HasSubstr("No runs"));
}

TEST(LogCommand, KeepsWhatDiagnoseFinds) {
  const TemporaryFolder folder;
  const std::string run = folder.in("run");
  const auto made = call({"render", "--output", run, "--start", "4880", "--step", "40", "--points",
                          "7", "--width-px", "500", "--height-px", "400", "--star-count", "60",
                          "--scenario", "field_tilt", "--strength", "1.5"});
  ASSERT_EQ(made.status, 0) << made.err;
  const Json diagnosis = Json::parse(call({"diagnose", run, "--json", "-"}).out);
  // Only a look at the field finds it, and it costs the run its trust.
  EXPECT_EQ(diagnosis["findings"][0]["cause"], "field_tilt");
  EXPECT_EQ(diagnosis["fit"]["verdict"], "doubtful");
  const std::string ledger = folder.in("runs.ledger");
  ASSERT_EQ(call({"log", "add", run, "--ledger", ledger}).status, 0);
  const Json kept =
      Json::parse(call({"log", "export", "--ledger", ledger, "--json", "-"}).out)["runs"][0];
  Json causes = Json::array();
  for (const Json& finding : diagnosis["findings"]) causes.push_back(finding["cause"]);
  EXPECT_EQ(kept["findings"], causes);
  for (const char* key : {"verdict", "reasons", "best_focus_steps", "interval_95_steps"}) {
    EXPECT_EQ(kept[key], diagnosis["fit"][key]) << key;
  }
}

TEST(LogCommand, NeverWritesOverALedgerNorIntoAnotherFile) {
  const TemporaryFolder folder;
  const std::string ledger = folder.in("runs.ledger");
  const std::string table = folder.write("focus.csv", nights_table());
  ASSERT_EQ(call({"log", "add", table, "--ledger", ledger}).status, 0);
  const std::string before = read(ledger);
  for (const Words& words :
       {Words{"drift", table, "--json", ledger}, Words{"fit", table, "--json", ledger},
        Words{"log", "export", "--ledger", ledger, "--csv", ledger}}) {
    EXPECT_EQ(call(words).status, 3);
    EXPECT_EQ(read(ledger), before);
  }
  const std::string text = folder.write("notes.txt", "precious\n");
  EXPECT_EQ(call({"log", "add", table, "--ledger", text}).status, 3);
  EXPECT_EQ(call({"log", "list", "--ledger", text}).status, 3);
  EXPECT_EQ(read(text), "precious\n");
  EXPECT_EQ(call({"log", "list", "--ledger", folder.in("absent")}).status, 3);
  EXPECT_EQ(call({"log", "eat", "--ledger", ledger}).status, 2);
  EXPECT_EQ(call({"log", "list"}).status, 2);
}

TEST(DriftCommand, DrawsAFigure) {
  STARWAIST_NEEDS(std::system("gnuplot --version > /dev/null 2>&1") == 0, "no gnuplot");
  const TemporaryFolder folder;
  const std::string table = folder.write("focus.csv", nights_table());
  EXPECT_EQ(call({"drift", table, "--plot", folder.in("a.svg")}).status, 0);
  EXPECT_THAT(read(folder.in("a.svg")), AllOf(HasSubstr("Focus and temperature: Focus moves"),
                                              HasSubstr("best focus [steps]")));
}

}  // namespace
}  // namespace starwaist
