// The wording of every answer, held by files below tests/golden/report.
#include "report/golden.h"

#include <gtest/gtest.h>

#include "report/answer_samples.h"
#include "report/samples.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using testing_support::expect_golden;

TEST(GoldenReport, FitJson) { expect_golden("report/fit.json", fit_json(samples::fit()).value()); }
TEST(GoldenReport, FitTable) {
  expect_golden("report/fit.txt", fit_table(samples::fit()));
  expect_golden("report/fit_42.txt", fit_table(samples::fit(), {.width = 42}));
}
TEST(GoldenReport, ShortLines) {
  expect_golden("report/short.txt",
                short_line(samples::healthy_diagnosis()) + short_line(samples::fit()) +
                    short_line(samples::failed_run()) +
                    watch_short_line(samples::watch(), samples::fit()) +
                    night_watch_short_line(samples::night_watch()) +
                    backlash_short_line(samples::backlash()) + drift_short_line(samples::drift()) +
                    night_short_line(samples::night()));
}
TEST(GoldenReport, FitLine) {
  expect_golden("report/fit_line.txt", fit_line("night-3", samples::fit()));
}

TEST(GoldenReport, MeasureJson) {
  expect_golden("report/measure.json",
                measure_json(samples::measurement(), {.stars = true}).value());
}
TEST(GoldenReport, MeasureCsv) {
  expect_golden("report/measure.csv", measure_csv(samples::measurement()));
}
TEST(GoldenReport, MeasureTable) {
  expect_golden("report/measure.txt", measure_table(samples::measurement()));
}

TEST(GoldenReport, DiagnoseJson) {
  expect_golden("report/diagnose.json", diagnose_json(samples::diagnosis()).value());
}
// Findings with a note beside them, a suspicion that decides, a run without best focus, a healthy
// one.
std::string diagnose_texts(const TextOptions& options) {
  return diagnose_text(samples::diagnosis(), options) + "\n--\n" +
         diagnose_text(samples::suspected_diagnosis(), options) + "\n--\n" +
         diagnose_text(samples::failed_run(), options) + "\n--\n" +
         diagnose_text(samples::healthy_diagnosis(), options);
}
TEST(GoldenReport, DiagnoseText) {
  expect_golden("report/diagnose.txt",
                diagnose_texts({}) + "\n--\n" + diagnose_line("night-3", samples::diagnosis()));
  expect_golden("report/diagnose_42.txt", diagnose_texts({.width = 42}));
  expect_golden("report/diagnose_quiet.txt", diagnose_texts({.details = false}));
}
TEST(GoldenReport, ExplainText) {
  expect_golden("report/explain_slack.txt", explain_text(cause_page("slack").value()));
  expect_golden("report/explain_list.txt", explain_list(cause_pages()));
}

TEST(GoldenReport, DriftJson) {
  expect_golden("report/drift.json",
                drift_json(samples::drift(),
                           {{"few.csv line 3", {codes::value_not_understood, "no position"}}})
                    .value());
}
TEST(GoldenReport, DriftText) {
  expect_golden("report/drift.txt",
                drift_table(samples::drift()) + "\n--\n" + drift_table(samples::no_drift()));
}

TEST(GoldenReport, NightJson) {
  expect_golden("report/night.json", night_json(samples::night()).value());
}
TEST(GoldenReport, NightCsv) { expect_golden("report/night.csv", night_csv(samples::night())); }
TEST(GoldenReport, NightText) {
  expect_golden("report/night.txt",
                night_text(samples::night()) + "\n--\n" + night_text(samples::quiet_night()));
}

TEST(GoldenReport, PlanJson) {
  expect_golden("report/plan.json", plan_json(samples::plan()).value());
  expect_golden("report/plan_lost.json", plan_json(samples::lost_plan()).value());
}
TEST(GoldenReport, PlanText) {
  expect_golden("report/plan.txt", plan_text(samples::plan()) + "\n--\n" +
                                       plan_text(samples::bare_plan()) + "\n--\n" +
                                       plan_text(samples::lost_plan()) + "\n--\n" +
                                       plan_text(samples::lost_plan_between_limits()));
}
TEST(GoldenReport, RigFile) {
  expect_golden("report/rig.conf", rig_file(samples::fit().rig, {"A remark"}, {{"move-s", 3}}));
}

TEST(GoldenReport, BacklashJson) {
  expect_golden(
      "report/backlash.json",
      backlash_json(samples::backlash(), {{"bad.fits", {codes::value_not_understood, "cut short"}}})
          .value());
}
TEST(GoldenReport, BacklashText) {
  expect_golden("report/backlash.txt", backlash_text(samples::backlash()) + "\n--\n" +
                                           backlash_text(samples::no_backlash()) + "\n--\n" +
                                           backlash_text(BacklashResult{}));
}

TEST(GoldenReport, FieldJson) {
  expect_golden("report/field.json", field_json(samples::field()).value());
}
TEST(GoldenReport, FieldText) {
  expect_golden("report/field.txt",
                field_text(samples::field()) + "\n--\n" + field_text(samples::no_field()));
}

TEST(GoldenReport, WatchJson) {
  expect_golden("report/watch.jsonl", watch_json_line(samples::watch()).value() +
                                          watch_json_line(samples::first_watch()).value() +
                                          night_watch_json_line(samples::night_watch()).value());
}
TEST(GoldenReport, WatchText) {
  WatchAnswer enough = samples::watch();
  enough.enough = true;
  enough.next_position_steps.reset();
  enough.stop_reason = StopReason::enough;
  expect_golden("report/watch.txt", watch_text(samples::watch()) +
                                        watch_text(samples::first_watch()) + watch_text(enough) +
                                        night_watch_text(samples::night_watch()) +
                                        night_watch_text(samples::first_night_watch()));
}

}  // namespace
}  // namespace starwaist
