// How answers keep to the width of a screen, how all begin alike, and the one-line answers.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <functional>
#include <sstream>
#include <string>
#include <vector>

#include "report/answer_samples.h"
#include "report/samples.h"
#include "report/text_table.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using testing::StartsWith;

constexpr std::size_t kWidths[] = {42, 60, 79};

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  return lines;
}

// A run whose positions and figures take as much room as any can.
RunAnswer widest_fit() {
  RunAnswer run = samples::suspected_diagnosis();
  for (CurvePoint& p : run.fit.points) {
    p.position_steps -= 123456789;
    p.file = "autofocus_2027-02-03_filter-L_position-5120_number-0001.fits";
  }
  run.fit.points[3].used = true;  // its name alone would be longer than a narrow line
  run.fit.best_focus_steps = -123456789.25;
  run.fit.models[0].best_focus_steps = -123456789.25;
  run.fit.interval_95_steps = {-123456795.25, -123456783.25};
  run.rig.f_number.reset();
  run.fit.critical_focus_zone_steps.reset();
  run.fit.approach = Direction::inward;
  run.arrived = Arrival{"after.fits", 5000, 2.5, 2.0, 0.05, false, 75.0};
  return run;
}

std::vector<RunAnswer> run_samples() {
  return {samples::fit(),        samples::diagnosis(), samples::healthy_diagnosis(),
          samples::field(),      samples::no_field(),  samples::suspected_diagnosis(),
          samples::failed_run(), widest_fit()};
}

std::vector<LedgerRun> ledger_runs() {
  LedgerRun run;
  run.id = 1234;
  run.rig = "the refractor on the balcony";
  run.time_utc = "2027-02-03T20:11:05";
  run.filter = "Luminance";
  run.temperature_c = -12.5;
  run.best_focus_steps = 123456.25;
  run.sigma_steps = 12.5;
  run.verdict = Verdict::unusable;
  return {run, LedgerRun{}};
}

std::vector<std::string> all_texts(const TextOptions& options) {
  std::vector<std::string> texts;
  for (const RunAnswer& run : run_samples()) {
    texts.insert(texts.end(), {opening_text(run, options), fit_table(run, options),
                               diagnose_text(run, options), field_text(run, options)});
  }
  for (const CausePage& page : cause_pages()) texts.push_back(explain_text(page, options));
  DriftFit far = samples::drift();
  far.result.predictions[0].position_steps = 123456789.5;
  far.result.predictions[0].interval_95_steps = {123456780.5, 123456798.5};
  const std::vector<std::string> more = {measure_table(samples::measurement(), options),
                                         explain_list(cause_pages(), options),
                                         drift_table(samples::drift(), options),
                                         drift_table(samples::no_drift(), options),
                                         drift_table(far, options),
                                         night_text(samples::night(), options),
                                         night_text(samples::quiet_night(), options),
                                         plan_text(samples::plan(), options),
                                         plan_text(samples::bare_plan(), options),
                                         plan_text(samples::lost_plan(), options),
                                         plan_text(samples::lost_plan_between_limits(), options),
                                         backlash_text(samples::backlash(), options),
                                         backlash_text(samples::no_backlash(), options),
                                         backlash_text(BacklashResult{}, options),
                                         watch_text(samples::watch(), options),
                                         watch_text(samples::first_watch(), options),
                                         night_watch_text(samples::night_watch(), options),
                                         night_watch_text(samples::first_night_watch(), options),
                                         log_table(ledger_runs(), options),
                                         log_table({}, options)};
  texts.insert(texts.end(), more.begin(), more.end());
  return texts;
}

TEST(Texts, KeepToTheWidth) {
  for (const std::size_t width : kWidths) {
    for (const bool details : {true, false}) {
      for (const std::string& text : all_texts({.width = width, .details = details})) {
        for (const std::string& line : lines_of(text)) {
          EXPECT_LE(report::screen_width(line), width) << line;
        }
      }
    }
  }
}

TEST(Texts, UseTheRoomThatAWideScreenHas) {
  const auto lines = lines_of(explain_text(cause_page("slack").value(), {.width = 120}));
  EXPECT_TRUE(std::any_of(lines.begin(), lines.end(), [](const std::string& line) {
    return report::screen_width(line) > 100;
  }));
}

TEST(Wrapped, KeepsAFigureTogether) {
  EXPECT_EQ(report::wrapped("best focus 5031 ± 2 steps", "", 17), "best focus\n5031 ± 2 steps\n");
  EXPECT_EQ(report::wrapped("about 24 % more", "", 8), "about\n24 %\nmore\n");
}

TEST(AlignedTable, LetsTheLeastNeededColumnsLeaveFirst) {
  const std::vector<report::Column> columns = {{"Kept", ""},
                                               {"First", "", report::Align::right, 2},
                                               {"Second", "", report::Align::right, 1}};
  const std::vector<std::vector<std::string>> rows = {{"1", "2", "3"}};
  EXPECT_EQ(report::aligned_table(columns, rows, 21),
            "  Kept  First  Second\n     1      2       3\n");
  EXPECT_EQ(report::aligned_table(columns, rows, 20), "  Kept  Second\n     1       3\n");
  EXPECT_EQ(report::aligned_table(columns, rows, 13), "  Kept\n     1\n");
}

TEST(AlignedTable, ShortensAColumnBeforeOneLeaves) {
  const std::vector<report::Column> columns = {{"A", "", report::Align::right, 1},
                                               {"Name", "", report::Align::left, 0, 9}};
  EXPECT_EQ(report::aligned_table(columns, {{"1", "abcdefghijkl"}}, 14),
            "  A  Name\n  1  abc...jkl\n");
}

TEST(AlignedTable, WritesSentencesWhereNoColumnCanLeave) {
  const std::vector<report::Column> columns = {{"Temp", "°C"}, {"Filter", ""}, {"Focus", "steps"}};
  EXPECT_EQ(report::aligned_table(columns, {{"2.0", "-", "5118"}, {"3.0", "Ha", "5120"}}, 20),
            "  Temp 2.0 °C, Focus\n    5118 steps\n  Temp 3.0 °C,\n    Filter Ha, Focus\n"
            "    5120 steps\n");
}

TEST(Opening, IsTheSameInEveryCommand) {
  for (const RunAnswer& run : run_samples()) {
    std::string first = opening_text(run);
    first.resize(std::min(first.find("\n\n"), first.size() - 1));
    for (const std::string& text : {fit_table(run), diagnose_text(run), field_text(run)}) {
      EXPECT_THAT(text, StartsWith(first + "\n"));
    }
  }
}

TEST(Opening, SaysWhetherToUseTheAnswer) {
  RunAnswer run = samples::healthy_diagnosis();
  EXPECT_THAT(opening_text(run),
              StartsWith("Use it: best focus 5000.2 ± 1.5 steps.\nNothing is wrong"));
  run.fit.verdict = Verdict::doubtful;
  EXPECT_THAT(opening_text(run), StartsWith("A hint only: best focus 5000.2 ± 1.5 steps.\n"));
  run.fit.verdict = Verdict::unusable;
  EXPECT_THAT(opening_text(run), StartsWith("Do not use it: "));
  run.fit.best_focus_steps.reset();
  EXPECT_THAT(opening_text(run), StartsWith("This run gives no best focus.\n"));
}

// A finding that harmed nothing must not read as if the run were to be thrown away.
TEST(Opening, OfATrustedRunSaysHowToGoThereAndKeepsTheRemedyForTheNextRun) {
  RunAnswer run = samples::diagnosis();
  run.fit.verdict = Verdict::trusted;
  run.fit.approach = Direction::outward;
  EXPECT_THAT(opening_text(run), HasSubstr("What to do: Go there from smaller positions"));
  EXPECT_THAT(opening_text(run), HasSubstr("For the next run: Find the lamp."));
  run.move = Move{4925, 5000};
  EXPECT_THAT(opening_text(run), HasSubstr("What to do: Go to 4925 first, then to 5000"));
  run.fit.verdict = Verdict::doubtful;
  EXPECT_THAT(opening_text(run), HasSubstr("What to do: Find the lamp."));
  EXPECT_THAT(opening_text(run), Not(HasSubstr("For the next run")));
}

// A suspicion frightens nobody in the opening, unless it is what lowered the verdict.
TEST(Opening, NamesASuspicionOnlyWhereItLoweredTheVerdict) {
  RunAnswer run = samples::suspected_diagnosis();
  EXPECT_THAT(opening_text(run), HasSubstr("Perhaps the slack was not taken up (70 %)"));
  EXPECT_THAT(opening_text(run), HasSubstr("What to do: Take the slack up."));
  EXPECT_THAT(diagnose_text(run), Not(HasSubstr("Not ruled out")));
  run.fit.reasons = {{"scatter", "the points scatter"}};
  EXPECT_THAT(opening_text(run), AllOf(HasSubstr("The points scatter."), Not(HasSubstr("slack"))));
  EXPECT_THAT(diagnose_text(run),
              HasSubstr("Not ruled out\n  - perhaps the slack was not taken up (70 %)"));
  EXPECT_THAT(fit_table(run), HasSubstr("Not ruled out"));
}

TEST(Texts, WithoutDetailsKeepTheReasons) {
  RunAnswer run = samples::diagnosis();
  run.fit.reasons = {{"first", "the first reason"}, {"second", "the second reason"}};
  const std::string all = fit_table(run, {.details = false});
  EXPECT_EQ(all, diagnose_text(run, {.details = false}));
  EXPECT_THAT(all, AllOf(HasSubstr("the first reason"), HasSubstr("the second reason"),
                         Not(HasSubstr("Notes")), Not(HasSubstr("frame_0"))));
  const std::string night = night_text(samples::night(), {.details = false});
  EXPECT_THAT(night, AllOf(HasSubstr("only 3 frames"), Not(HasSubstr("Notes")),
                           Not(HasSubstr("light_01"))));
}

TEST(ShortLine, SaysPositionSideAndUse) {
  RunAnswer run = samples::healthy_diagnosis();
  run.fit.best_focus_steps = 5231.4;
  run.fit.best_focus_sigma_steps = 0.18;
  EXPECT_EQ(short_line(run), "5231 from below: use it (± 0.2, zone 28)\n");
  run.fit.verdict = Verdict::doubtful;
  run.fit.best_focus_sigma_steps = 9.4;
  run.fit.approach = Direction::inward;
  EXPECT_EQ(short_line(run), "5231 from above: a hint (± 9, zone 28)\n");
  run.fit.approach.reset();
  run.fit.critical_focus_zone_steps.reset();
  EXPECT_EQ(short_line(run), "5231: a hint (± 9)\n");
  run.fit.best_focus_steps = -0.25;
  run.fit.best_focus_sigma_steps.reset();
  EXPECT_EQ(short_line(run), "0: a hint\n");
}

TEST(ShortLine, NamesTheCauseOfAnUnusableRun) {
  EXPECT_EQ(short_line(samples::failed_run()),
            "do not use this run: best focus lies outside the sampled...\n");
  EXPECT_EQ(short_line(samples::no_field()), "do not use this run: the sizes show no minimum\n");
}

TEST(ShortLine, KeepsTheDecimalsOfFractionalPositions) {
  RunAnswer run = samples::healthy_diagnosis();
  for (CurvePoint& p : run.fit.points) p.position_steps /= 1000;
  run.fit.best_focus_steps = 5.23145;
  run.fit.best_focus_sigma_steps = 0.0018;
  run.fit.critical_focus_zone_steps = 0.0275;
  EXPECT_EQ(short_line(run), "5.2314 from below: use it (± 0.002, zone 0.03)\n");
}

TEST(WatchShortLine, SaysWhereToGoNext) {
  const RunAnswer run = samples::fit();
  WatchAnswer watched = samples::watch();
  EXPECT_EQ(watch_short_line(watched, run), "5000 from below: a hint (± 2, zone 28); next 5080\n");
  watched.next_position_steps.reset();
  EXPECT_EQ(watch_short_line(watched, run), short_line(run));
  EXPECT_EQ(watch_short_line(samples::watch(), samples::no_field()),
            "no best focus yet; next 5080\n");
}

TEST(OtherShortLines, SayWhatToDo) {
  EXPECT_EQ(backlash_short_line(samples::backlash()),
            "slack 47 ± 3, take up 75 from above: a hint\n");
  EXPECT_EQ(drift_short_line(samples::drift()),
            "-11.8 ± 0.4 steps/°C, refocus every 0.9 °C: a hint\n");
  EXPECT_EQ(night_short_line(samples::night()),
            "12 % lost to focus: refocus every 0.8 °C or 40 min (a hint)\n");
  EXPECT_EQ(night_short_line(samples::quiet_night()), "focus held: no refocus rule\n");
  EXPECT_EQ(night_watch_short_line(samples::night_watch()),
            "2.50 px, 25 % above best: refocus now\n");
}

// Every number of an answer grows to nine digits, either sign.
std::vector<std::string> extreme_lines(double number) {
  std::vector<std::string> lines;
  for (const Verdict verdict : {Verdict::trusted, Verdict::doubtful, Verdict::unusable}) {
    RunAnswer run = samples::fit();
    run.fit.verdict = verdict;
    run.fit.best_focus_steps = number;
    run.fit.best_focus_sigma_steps = std::abs(number);
    run.fit.critical_focus_zone_steps = std::abs(number);
    run.fit.reasons = {{"long", std::string(200, 'x')}};
    WatchAnswer watched = samples::watch();
    watched.next_position_steps = std::llround(number);
    BacklashResult slack = samples::backlash();
    slack.verdict = verdict;
    slack.backlash_steps = number;
    slack.sigma_steps = slack.takeup_steps = std::abs(number);
    DriftFit drift = samples::drift();
    drift.result.verdict = verdict;
    drift.result.slope_steps_per_c = number;
    drift.result.slope_sigma = drift.result.refocus_every_c = std::abs(number);
    SessionAnswer night = samples::night();
    night.judgement.result.refocus_rule.every_c = std::abs(number);
    night.judgement.result.refocus_rule.every_minutes = std::abs(number);
    NightWatchAnswer frame = samples::night_watch();
    frame.size_px = frame.loss_percent = std::abs(number);
    lines.insert(lines.end(),
                 {short_line(run), watch_short_line(watched, run), backlash_short_line(slack),
                  drift_short_line(drift), night_short_line(night), night_watch_short_line(frame)});
  }
  return lines;
}

TEST(ShortLines, AreOneLineOfSixtyCharacters) {
  std::vector<std::string> lines = {backlash_short_line(samples::backlash()),
                                    backlash_short_line(samples::no_backlash()),
                                    backlash_short_line(BacklashResult{}),
                                    drift_short_line(samples::drift()),
                                    drift_short_line(samples::no_drift()),
                                    night_short_line(samples::night()),
                                    night_short_line(samples::quiet_night()),
                                    night_watch_short_line(samples::night_watch()),
                                    night_watch_short_line(samples::first_night_watch())};
  for (const RunAnswer& run : run_samples()) {
    lines.push_back(short_line(run));
    lines.push_back(watch_short_line(samples::watch(), run));
    lines.push_back(watch_short_line(samples::first_watch(), run));
  }
  for (const double number : {987654321.0, -987654321.0, 0.000012345, 123456.789}) {
    const auto more = extreme_lines(number);
    lines.insert(lines.end(), more.begin(), more.end());
  }
  for (const CausePage& page : cause_pages()) {
    RunAnswer run = samples::failed_run();
    run.findings.front().cause = page.cause;
    lines.push_back(short_line(run));
  }
  for (const std::string& line : lines) {
    EXPECT_EQ(std::count(line.begin(), line.end(), '\n'), 1) << line;
    ASSERT_FALSE(line.empty());
    EXPECT_EQ(line.back(), '\n') << line;
    EXPECT_LE(report::screen_width(line), kShortLineWidth + 1) << line;
    EXPECT_GT(line.size(), 2U);
  }
}

}  // namespace
}  // namespace starwaist
