// The page of a run: same words and numbers as the other answers, and nothing of a file or header
// that a browser would take for markup.
#include "starwaist/page.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "report/answer_samples.h"
#include "report/fit_parts.h"
#include "report/markup.h"
#include "report/opening.h"
#include "report/samples.h"
#include "starwaist/codes.h"
#include "starwaist/frame.h"
#include "starwaist/report.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using PageJson = nlohmann::ordered_json;

// Closes an element, opens others, ends a string, and breaks a line in JavaScript only.
const std::string kHostile =
    "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&amp;\xE2\x80\xA8<!--";

RunPage page_of(RunAnswer answer) {
  RunPage page;
  page.name = "run-0203";
  page.answer = std::move(answer);
  return page;
}

std::string html_of(const RunPage& page) {
  const auto html = page_html(page);
  EXPECT_TRUE(html) << html.error().text();
  return html.value_or("");
}

// What stands between <script ... id="ID"> and its end.
std::string data_of(const std::string& html, const std::string& id) {
  const std::string opening = "<script type=\"application/json\" id=\"" + id + "\">";
  const auto begin = html.find(opening);
  EXPECT_NE(begin, std::string::npos) << id;
  const auto end = html.find("</script>", begin);
  return html.substr(begin + opening.size(), end - begin - opening.size());
}

std::size_t count_of(const std::string& text, const std::string& part) {
  std::size_t count = 0;
  for (auto at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++count;
  return count;
}

// Without the scripts and the style, which are the same on every page.
std::string without_scripts(const std::string& html) {
  static const std::regex kScripts("<(script|style)( [^>]*)?>");
  std::string rest;
  std::string::const_iterator from = html.begin();
  std::smatch opening;
  while (std::regex_search(from, html.end(), opening, kScripts)) {
    rest.append(from, opening[0].first);
    const std::string closing = "</" + opening[1].str() + ">";
    const auto end = html.find(closing, static_cast<std::size_t>(opening[0].second - html.begin()));
    from = html.begin() + static_cast<std::ptrdiff_t>(end + closing.size());
  }
  return rest.append(from, html.end());
}

std::vector<RunAnswer> answers() {
  return {samples::fit(),
          samples::diagnosis(),
          samples::healthy_diagnosis(),
          samples::field(),
          samples::suspected_diagnosis(),
          samples::failed_run(),
          samples::no_field(),
          RunAnswer()};
}

TEST(Page, SaysWhatFitSays) {
  for (const RunAnswer& answer : answers()) {
    const std::string html = html_of(page_of(answer));
    const report::OpeningWords words = report::opening_words(answer);
    for (const std::string& said : {words.use, words.problem, words.action, words.next_run}) {
      EXPECT_THAT(html, HasSubstr(report::shown(said)));
    }
    for (const report::NamedLine& line : report::fit_lines(answer)) {
      EXPECT_THAT(html, HasSubstr(report::shown(line.text)));
    }
    for (const std::string& reason : report::further_reasons(answer)) {
      EXPECT_THAT(html, HasSubstr(report::shown(reason)));
    }
    for (const Finding& finding : answer.findings) {
      EXPECT_THAT(html, AllOf(HasSubstr(report::shown(finding.summary)),
                              HasSubstr(report::shown(finding.remedy.text))));
      for (const EvidenceItem& item : finding.evidence) {
        EXPECT_THAT(html, HasSubstr(report::shown(report::item_words(item))));
      }
    }
  }
}

TEST(Page, HoldsTheAnswerOfDiagnoseJsonWhole) {
  for (const RunAnswer& answer : answers()) {
    const std::string html = html_of(page_of(answer));
    EXPECT_EQ(PageJson::parse(data_of(html, "answer")), PageJson::parse(*diagnose_json(answer)));
  }
}

TEST(Page, TitleIsTheShortLine) {
  EXPECT_THAT(html_of(page_of(samples::healthy_diagnosis())),
              HasSubstr("<title>5000 from below: use it (± 2, zone 28) – run-0203</title>"));
  const std::string failed = html_of(page_of(samples::failed_run()));
  EXPECT_THAT(failed, HasSubstr("<title>do not use this run: "));
}

TEST(Page, EveryCellOfTheTablesIsThere) {
  const RunAnswer answer = samples::fit();
  const std::string html = html_of(page_of(answer));
  const auto expect_cells = [&](const report::Table& table) {
    ASSERT_FALSE(table.rows.empty());
    for (const auto& row : table.rows) {
      for (const std::string& cell : row) {
        if (cell.empty()) continue;
        EXPECT_THAT(html, HasSubstr(">" + report::shown(cell) + "</t"));
      }
    }
  };
  expect_cells(report::points_table(answer.fit, 200));
  expect_cells(report::models_table(answer.fit));
}

TEST(Page, DrawsThePointsWhereTheyAre) {
  const RunAnswer answer = samples::fit();
  const PageJson data = PageJson::parse(data_of(html_of(page_of(answer)), "chart-data"));
  std::size_t used = 0;
  for (const PageJson& point : data["used"]) {
    const CurvePoint& of = answer.fit.points[point["i"].get<std::size_t>()];
    EXPECT_TRUE(of.used);
    EXPECT_EQ(point["x"].get<double>(), of.position_steps);
    EXPECT_EQ(point["y"].get<double>(), *of.size_px);
    EXPECT_EQ(point["s"].get<double>(), *of.sigma_px);
    ++used;
  }
  EXPECT_EQ(used, 8U);
  EXPECT_EQ(data["rejected"].size() + data["off"].size(), 1U);
  EXPECT_EQ(data["best"].get<double>(), 5000.25);
  EXPECT_NEAR(data["interval"][0].get<double>(), 4997.25, 0.01);
  EXPECT_NEAR(data["zone"][1].get<double>(), 5000.25 + 27.5 / 2, 0.01);
  EXPECT_THAT(data["points"][3].back().get<std::string>(), HasSubstr("not used: size 9.00 px"));
}

TEST(Page, WordsOfFilesAndHeadersStayText) {
  RunPage page = page_of(samples::diagnosis());
  page.name = kHostile;
  RunAnswer& answer = page.answer;
  for (CurvePoint& point : answer.fit.points) point.file = kHostile;
  answer.fit.points[3].reason = {"a_reason", kHostile};
  answer.fit.reasons = {{"a_reason", kHostile}, {"another", kHostile}};
  answer.fit.notes = {{"a_note", kHostile}};
  answer.skipped = {{kHostile, {codes::file_unreadable, kHostile}}};
  answer.field_remarks = {{"a_remark", kHostile}};
  for (Finding& finding : answer.findings) {
    finding.summary = kHostile;
    finding.remedy.text = kHostile;
    finding.evidence = {{kHostile, 1, kHostile}};
    finding.settings = {{kHostile, 1}};
  }
  answer.arrived = Arrival{kHostile, 5000, 2.5, 2.0, 0.05, false, 75.0};
  answer.collimation = Collimation{};
  answer.collimation->file = kHostile;
  page.frames.resize(1);
  page.frames[0].file = kHostile;
  page.pictures.cutouts = {{kHostile, 5000, 2.0, "png"}};
  page.pictures.cutout_side_px = 21;
  page.pictures.nearest = MarkedFrame{kHostile, 5000, 4, 3, "png", {}};
  page.plan = FocusPlan{};
  page.plan->notes = {{"a_note", kHostile}};
  page.watched = samples::watch();
  page.watched->file = kHostile;
  page.watched->advice.text = kHostile;
  for (const std::optional<double> reload : {std::optional<double>(), std::optional<double>(5)}) {
    page.reload_s = reload;
    const std::string html = html_of(page);
    EXPECT_EQ(count_of(html, "alert(1)</script>"), 0U);
    EXPECT_EQ(count_of(html, "</script>"), 5U) << "two of data, three that run";
    EXPECT_EQ(count_of(html, "<script"), 5U);
    const std::string rest = without_scripts(html);
    EXPECT_GT(count_of(rest, "&lt;script&gt;alert(1)"), 8U);
    EXPECT_EQ(count_of(rest, "<img src=x"), 0U);
    EXPECT_EQ(count_of(rest, "<!--"), 0U);
    const std::string data = data_of(html, "chart-data");
    EXPECT_EQ(data.find_first_of("<>&"), std::string::npos);
    EXPECT_EQ(data.find("\xE2\x80\xA8"), std::string::npos);
    EXPECT_EQ(PageJson::parse(data_of(html, "answer"))["fit"]["points"][0]["file"], kHostile);
  }
}

TEST(Page, BytesThatAreNoTextDoNoHarm) {
  RunPage page = page_of(samples::fit());
  page.name = "\xFF\xC3(\x1B[2J\x01";
  page.answer.fit.points[0].file = page.name;
  const std::string html = html_of(page);
  EXPECT_EQ(html.find('\x1B'), std::string::npos);
  EXPECT_EQ(html.find('\x01'), std::string::npos);
  EXPECT_EQ(html.find('\xFF'), std::string::npos);
}

TEST(Page, RefersToNothingOutside) {
  RunPage page = page_of(samples::field());
  page.pictures.cutouts = {{"a.fits", 5000, 2.0, "png"}};
  page.pictures.cutout_side_px = 21;
  const std::string rest = without_scripts(html_of(page));
  EXPECT_THAT(rest, Not(HasSubstr("://")));
  static const std::regex kReference("(src|href|action|data|poster|srcset)=\"([^\"]*)\"");
  std::size_t found = 0;
  for (std::sregex_iterator at(rest.begin(), rest.end(), kReference), end; at != end; ++at) {
    const std::string to = (*at)[2];
    EXPECT_TRUE(to.rfind("data:", 0) == 0 || to.rfind('#', 0) == 0) << to;
    ++found;
  }
  EXPECT_GE(found, 3U);
  EXPECT_THAT(rest, AllOf(HasSubstr("Content-Security-Policy"), HasSubstr("default-src 'none'"),
                          Not(HasSubstr("unsafe"))));
  EXPECT_THAT(html_of(page), Not(HasSubstr("@import")));
}

TEST(Page, KeepsTheLicenceOfTheCharts) {
  EXPECT_THAT(html_of(page_of(samples::fit())),
              AllOf(HasSubstr("Permission is hereby granted, free of charge"),
                    HasSubstr("Chart.js Contributors"), HasSubstr("Jukka Kurkela")));
}

TEST(Page, WithoutPointsHasNoChartAndSaysWhy) {
  const std::string html = html_of(page_of(samples::no_field()));
  EXPECT_THAT(html, AllOf(Not(HasSubstr("<canvas")), HasSubstr("do not use this run"),
                          HasSubstr("the sizes show no minimum")));
}

TEST(Page, WithoutACurveHasPointsAlone) {
  RunAnswer answer = samples::failed_run();
  answer.fit.models.clear();
  answer.fit.chosen.reset();
  answer.fit.best_focus_steps.reset();
  const std::string html = html_of(page_of(answer));
  EXPECT_THAT(html, AllOf(HasSubstr("id=\"curve\""), Not(HasSubstr("id=\"residuals\""))));
  const PageJson data = PageJson::parse(data_of(html, "chart-data"));
  EXPECT_TRUE(data["curve"].is_null());
  EXPECT_TRUE(data["best"].is_null());
}

TEST(Page, WhileTheRunIsTakenSaysWhereToGoNextAndLoadsAnew) {
  RunPage page = page_of(samples::fit());
  page.watched = samples::watch();
  page.reload_s = 5;
  const std::string html = html_of(page);
  EXPECT_EQ(PageJson::parse(data_of(html, "chart-data"))["reload_s"], 5);
  EXPECT_THAT(html, HasSubstr("; next " + std::to_string(*page.watched->next_position_steps)));
  EXPECT_THAT(html, Not(HasSubstr("proposes one"))) << "it has not failed yet";
  page.reload_s.reset();
  EXPECT_TRUE(PageJson::parse(data_of(html_of(page), "chart-data"))["reload_s"].is_null());
}

TEST(Page, SettingsComeFromThePlanElseFromWhatWasFound) {
  RunPage page = page_of(samples::failed_run());
  page.answer.findings[0].settings = {{"start_position_steps", 4712}};
  EXPECT_THAT(html_of(page), AllOf(HasSubstr("Settings for the next run"),
                                   HasSubstr("<dd>start_position_steps 4712</dd>")));
  page.plan = FocusPlan{};
  page.plan->step_steps = 41;
  EXPECT_THAT(html_of(page), AllOf(HasSubstr("<dt>Step size</dt><dd>41 steps</dd>"),
                                   Not(HasSubstr("<dd>start_position_steps"))));
}

TEST(Page, RefusesNumbersThatAreNotFinite) {
  RunAnswer answer = samples::fit();
  answer.fit.best_focus_steps = std::nan("");
  const auto html = page_html(page_of(answer));
  ASSERT_FALSE(html);
  EXPECT_EQ(html.error().code, ErrorCode::numerical);
}

// The demonstration run, judged once for all tests of its pictures.
class PagePictures : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    auto recorded = record_run({STARWAIST_SOURCE_DIR "/demo-frames"}, {});
    ASSERT_TRUE(recorded) << recorded.error().text();
    recorded_ = std::make_unique<RecordedRun>(std::move(*recorded));
  }
  static void TearDownTestSuite() { recorded_.reset(); }
  // The grey values of a PNG, read as a frame is.
  static Frame pixels_of(const std::string& png) {
    const testing_support::TemporaryFolder folder;
    auto frame = read_frame(folder.write("a.png", png));
    EXPECT_TRUE(frame) << frame.error().text();
    return std::move(*frame);
  }
  static std::unique_ptr<RecordedRun> recorded_;
};
std::unique_ptr<RecordedRun> PagePictures::recorded_;

TEST_F(PagePictures, StripShowsOneStarInTheMiddleByPosition) {
  const RunPictures pictures = run_pictures(recorded_->record);
  ASSERT_EQ(pictures.cutouts.size(), 11U);
  double last = -1;
  std::vector<double> brightest;
  for (const StarCutout& cut : pictures.cutouts) {
    EXPECT_GT(cut.position_steps, last);
    last = cut.position_steps;
    const Frame frame = pixels_of(cut.png);
    ASSERT_EQ(frame.pixels.width_px(), pictures.cutout_side_px);
    ASSERT_EQ(frame.pixels.height_px(), pictures.cutout_side_px);
    // The light's centre, above the middle grey of the sky.
    double sum = 0;
    double x_sum = 0;
    double y_sum = 0;
    for (int y = 0; y < pictures.cutout_side_px; ++y) {
      for (int x = 0; x < pictures.cutout_side_px; ++x) {
        const double light = std::max(frame.pixels.at(x, y) - 80.0, 0.0);
        sum += light;
        x_sum += light * x;
        y_sum += light * y;
      }
    }
    ASSERT_GT(sum, 0);
    constexpr double kHalfPixelAndNoise = 1.0;  // px; the cut is by whole pixels
    EXPECT_NEAR(x_sum / sum, pictures.cutout_side_px / 2, kHalfPixelAndNoise);
    EXPECT_NEAR(y_sum / sum, pictures.cutout_side_px / 2, kHalfPixelAndNoise);
    brightest.push_back(frame.pixels.at(pictures.cutout_side_px / 2, pictures.cutout_side_px / 2));
  }
  // One stretch for all: the middle of the star is brighter in focus than at the ends.
  EXPECT_GT(brightest[5], brightest.front());
  EXPECT_GT(brightest[5], brightest.back());
}

TEST_F(PagePictures, MarksLieOnStars) {
  const RunPictures pictures = run_pictures(recorded_->record);
  ASSERT_TRUE(pictures.nearest);
  const MarkedFrame& nearest = *pictures.nearest;
  EXPECT_EQ(nearest.file, "frame_05.fits.fz");
  EXPECT_EQ(nearest.width_px, 640) << "small enough as it is";
  EXPECT_GT(nearest.marks.size(), 60U);
  const Frame frame = pixels_of(nearest.png);
  std::size_t bright = 0;
  for (const MarkedFrame::Mark& mark : nearest.marks) {
    const int x = std::clamp(static_cast<int>(std::lround(mark.x_px)), 0, 639);
    const int y = std::clamp(static_cast<int>(std::lround(mark.y_px)), 0, 479);
    constexpr double kBrighterThanSky = 60;  // of 255; the sky's middle grey is about 20
    bright += frame.pixels.at(x, y) > kBrighterThanSky ? 1 : 0;
  }
  EXPECT_GT(static_cast<double>(bright), 0.9 * static_cast<double>(nearest.marks.size()));
}

TEST_F(PagePictures, OfALongRunShowSomeFramesAndAlwaysTheNearest) {
  RunRecord record = recorded_->record;
  // The same frames over and over, each further round a few steps on.
  const RunRecord once = record;
  for (int round = 1; round < 4; ++round) {
    for (std::size_t i = 0; i < once.frames.size(); ++i) {
      record.frames.push_back(once.frames[i]);
      *record.frames.back().facts.position_steps += 3 * round;
      record.fit.points.push_back(once.fit.points[i]);
      record.fit.points.back().position_steps += 3 * round;
    }
    for (std::size_t k = 0; k < record.tracks.size(); ++k) {
      record.tracks[k].insert(record.tracks[k].end(), once.tracks[k].begin(), once.tracks[k].end());
    }
  }
  for (const double best : {5153.0, 5198.0, 5231.4, 5319.0}) {
    record.fit.best_focus_steps = best;
    const RunPictures pictures = run_pictures(record);
    ASSERT_EQ(pictures.cutouts.size(), 15U);
    ASSERT_TRUE(pictures.nearest);
    EXPECT_TRUE(std::any_of(pictures.cutouts.begin(), pictures.cutouts.end(),
                            [&](const StarCutout& cut) {
                              return cut.position_steps == pictures.nearest->position_steps;
                            }))
        << best;
    EXPECT_TRUE(std::is_sorted(pictures.cutouts.begin(), pictures.cutouts.end(),
                               [](const StarCutout& a, const StarCutout& b) {
                                 return a.position_steps < b.position_steps;
                               }));
  }
}

TEST_F(PagePictures, OfFramesThatAreGoneAreNone) {
  RunRecord record = recorded_->record;
  for (MeasuredFrame& frame : record.frames) frame.path += ".gone";
  const RunPictures pictures = run_pictures(record);
  EXPECT_TRUE(pictures.cutouts.empty());
  EXPECT_FALSE(pictures.nearest);
}

TEST_F(PagePictures, OfATableAreNone) {
  RunRecord record;
  record.fit = samples::fit().fit;
  const RunPictures pictures = run_pictures(record);
  EXPECT_TRUE(pictures.cutouts.empty());
  EXPECT_FALSE(pictures.nearest);
}

// RFC 4648, section 10.
TEST(Base64, EncodesTheVectorsOfTheStandard) {
  EXPECT_EQ(report::base64(""), "");
  EXPECT_EQ(report::base64("f"), "Zg==");
  EXPECT_EQ(report::base64("fo"), "Zm8=");
  EXPECT_EQ(report::base64("foo"), "Zm9v");
  EXPECT_EQ(report::base64("foob"), "Zm9vYg==");
  EXPECT_EQ(report::base64("fooba"), "Zm9vYmE=");
  EXPECT_EQ(report::base64("foobar"), "Zm9vYmFy");
  EXPECT_EQ(report::base64("\xFB\xFF\xFE"), "+//+");
}

}  // namespace
}  // namespace starwaist
