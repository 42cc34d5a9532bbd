// JSON, CSV and tables of hand-made answers.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <limits>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>

#include "core/encode.h"
#include "report/answer_samples.h"
#include "report/samples.h"
#include "report/text_table.h"
#include "report/words.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using testing::HasSubstr;
using Parsed = nlohmann::json;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

TEST(FitJson, RefusesNumbersThatAreNotFinite) {
  for (const double bad : {kNan, kInfinity, -kInfinity}) {
    RunAnswer run = samples::fit();
    run.fit.models[0].interval_95_steps.high = bad;
    const auto json = fit_json(run);
    ASSERT_FALSE(json);
    EXPECT_EQ(json.error().code, ErrorCode::numerical);
    EXPECT_THAT(json.error().text(), HasSubstr("models[0].interval_95_steps[1]"));
  }
  RunAnswer run = samples::fit();
  run.fit.points[2].position_steps = kNan;
  EXPECT_FALSE(fit_json(run));
  run = samples::fit();
  run.rig.pixel_um = kInfinity;
  EXPECT_FALSE(fit_json(run));
  run = samples::fit();
  FocusCurve curve;
  curve.centre_steps = kNan;
  run.fit.models[0].parameters = curve;
  EXPECT_FALSE(fit_json(run));
}

TEST(MeasureJson, RefusesNumbersThatAreNotFinite) {
  MeasuredRun run = samples::measurement();
  run.frames[0].measurement.stars[0].snr = kNan;
  EXPECT_FALSE(measure_json(run, {.stars = true}));
  run = samples::measurement();
  run.frames[1].measurement.noise_adu = kInfinity;
  EXPECT_FALSE(measure_json(run));
}

// Every name of the list is a key and there is no other, whatever the values.
template <class Struct>
void expect_keys_of(const Parsed& object, const std::set<std::string>& without = {}) {
  std::set<std::string> expected;
  for_each_field(Struct{}, [&](const auto& f, const auto& member) {
    using Member = std::remove_cvref_t<decltype(member)>;
    expected.insert(std::string(f.name));
    if constexpr (std::is_same_v<Member, Statement> ||
                  std::is_same_v<Member, std::optional<Statement>>) {
      expected.insert(code_key(f.name));
    }
    if constexpr (std::is_same_v<Member, std::vector<Statement>>) {
      expected.insert(codes_key(f.name));
    }
  });
  for (const auto& name : without) expected.erase(name);
  std::set<std::string> found;
  for (const auto& [key, value] : object.items()) found.insert(key);
  EXPECT_EQ(found, expected);
}

TEST(Json, HoldsEveryFieldOfEveryDescribedStruct) {
  const Parsed fit = Parsed::parse(fit_json(samples::fit()).value());
  expect_keys_of<CurvePoint>(fit["points"][0]);
  expect_keys_of<ModelFit>(fit["models"][0]);
  expect_keys_of<SkippedFile>(fit["skipped"][0]);
  for_each_field(FitResult{}, [&](const auto& f, const auto&) {
    EXPECT_TRUE(fit.contains(std::string(f.name))) << f.name;
  });
  const Parsed with_stars =
      Parsed::parse(measure_json(samples::measurement(), {.stars = true}).value());
  expect_keys_of<FrameMeasurement>(with_stars["frames"][0]);
  expect_keys_of<Star>(with_stars["frames"][0]["stars"][0]);
  const Parsed plain = Parsed::parse(measure_json(samples::measurement()).value());
  expect_keys_of<FrameMeasurement>(plain["frames"][0], {"stars", "defects"});
}

TEST(TruthJson, HoldsEveryFieldOfTheTruth) {
  const Parsed truth = Parsed::parse(truth_json(RenderTruth{}).value());
  EXPECT_EQ(truth["schema"], "starwaist/truth/1");
  for_each_field(RenderTruth{}, [&](const auto& f, const auto&) {
    EXPECT_TRUE(truth.contains(std::string(f.name))) << f.name;
  });
}

TEST(Json, AbsentIsNullAndAnOpenEndToo) {
  RunAnswer run = samples::fit();
  run.fit.best_focus_steps.reset();
  run.fit.interval_95_steps.high.reset();
  const Parsed fit = Parsed::parse(fit_json(run).value());
  EXPECT_TRUE(fit["best_focus_steps"].is_null());
  EXPECT_EQ(fit["interval_95_steps"][0], 4997.25);
  EXPECT_TRUE(fit["interval_95_steps"][1].is_null());
}

TEST(Json, MendsBytesThatAreNoUtf8) {
  RunAnswer run = samples::fit();
  run.skipped[0].file =
      "a\xff"
      "b\x01.fits";
  const Parsed fit = Parsed::parse(fit_json(run).value());
  EXPECT_EQ(fit["skipped"][0]["file"],
            "a\xEF\xBF\xBD"
            "b\x01.fits");  // U+FFFD
}

TEST(MeasureCsv, HasAsManyCellsInEachRowAsHeadings) {
  MeasuredRun run = samples::measurement();
  run.frames[0].measurement.file = "plain.fits";
  std::istringstream lines(measure_csv(run));
  std::string line;
  std::vector<std::ptrdiff_t> commas;
  while (std::getline(lines, line)) commas.push_back(std::count(line.begin(), line.end(), ','));
  ASSERT_EQ(commas.size(), 3U);
  EXPECT_EQ(commas[1], commas[0]);
  EXPECT_EQ(commas[2], commas[0]);
}

TEST(Tables, KeepToTheWidthEvenWithLongNames) {
  RunAnswer run = samples::fit();
  for (auto& p : run.fit.points) p.file = std::string(300, 'x') + ".fits";
  run.fit.points[3].used = true;  // its name would stand as one long word under Not used
  MeasuredRun measured = samples::measurement();
  measured.frames.resize(1);
  measured.frames[0].measurement.file = std::string(300, 'x') + ".fits";
  for (const std::string& text : {fit_table(run), measure_table(measured)}) {
    EXPECT_TRUE(report::fits(text, TextOptions{}.width)) << text;
  }
}

TEST(FitTable, SaysWhatTheZoneNeeds) {
  RunAnswer run = samples::fit();
  run.fit.critical_focus_zone_steps.reset();
  run.fit.probability_in_zone.reset();
  run.rig = Rig{};
  run.rig.pixel_um = 3.76;
  EXPECT_THAT(fit_table(run), HasSubstr("unknown; needs --f-number and --um-per-step"));
}

TEST(Printable, DropsWhatDrivesATerminal) {
  EXPECT_EQ(report::printable("a\x1b[31m\n\x7f"), "a [31m  ");
  EXPECT_EQ(report::printable("\xC2\x9B"
                              "5m"),
            " 5m");                                              // C1 control sequence introducer
  EXPECT_EQ(report::printable("\xE2\x80\xA6"), "\xE2\x80\xA6");  // an ellipsis stays
  EXPECT_EQ(report::printable("\xC0\xAF"), "??");                // overlong, RFC 3629 section 3
  EXPECT_EQ(report::printable("\xED\xA0\x80"), "???");           // a surrogate
}

TEST(Shortened, KeepsBothEndsAndWholeCharacters) {
  EXPECT_EQ(report::shortened("abcdefghijkl", 9), "abc...jkl");
  EXPECT_EQ(report::shortened("ääääääää", 7), "ää...ää");
  EXPECT_EQ(report::shortened("short", 9), "short");
}

TEST(PercentWords, NeverClaimsCertainty) {
  EXPECT_EQ(report::percent_words(1.0), "over 99.9 %");
  EXPECT_EQ(report::percent_words(0.0), "under 0.1 %");
  EXPECT_EQ(report::percent_words(0.5), "50 %");
}

TEST(PositionDecimals, FollowThePositions) {
  EXPECT_EQ(position_decimals({samples::point("a", 250000, 2)}), 0);
  EXPECT_EQ(position_decimals({samples::point("a", 5, 2), samples::point("b", 5.1, 2)}), 1);
  EXPECT_EQ(position_decimals({samples::point("a", 12.345, 2)}), 3);
  EXPECT_EQ(position_decimals({samples::point("a", 1.0 / 3, 2)}), 4);
}

// The first lines are for somebody who reads no further.
TEST(DiagnoseText, BeginsWithWhatDecidesOverTheAnswer) {
  RunAnswer answer = samples::diagnosis();
  answer.findings[0].confidence = 0.9;
  const std::string text = diagnose_text(answer);
  EXPECT_LT(text.find(answer.findings[0].remedy.text), text.find(answer.findings[1].remedy.text));
}

TEST(ReasonLines, PutThreeOrMoreOfTheSameReasonInOneLine) {
  using testing::ElementsAre;
  const std::vector<SkippedFile> skipped = {{"a.fits", {"", "cut short"}},
                                            {"b.fits", {"", "no position"}},
                                            {"c.fits", {"", "cut short"}},
                                            {"d.fits", {"", "no position"}},
                                            {"e.fits", {"", "no position"}}};
  EXPECT_THAT(reason_lines(skipped),
              ElementsAre("a.fits: cut short", "b.fits to e.fits (3 in all): no position",
                          "c.fits: cut short"));
  EXPECT_THAT(reason_lines({}), testing::IsEmpty());
  EXPECT_THAT(
      reason_lines({{"a", {"", "a: broken"}}, {"b", {"", "b: broken"}}, {"c", {"", "c: broken"}}}),
      ElementsAre("a to c (3 in all): broken"));
}

}  // namespace
}  // namespace starwaist
