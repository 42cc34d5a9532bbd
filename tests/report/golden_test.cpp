// The wording of the answers, held by files below tests/golden/report.
#include "report/golden.h"

#include <gtest/gtest.h>

#include "report/samples.h"
#include "starwaist/report.h"

namespace starwaist {
namespace {

using testing_support::expect_golden;

TEST(GoldenReport, FitJson) { expect_golden("report/fit.json", fit_json(samples::fit()).value()); }
TEST(GoldenReport, FitTable) { expect_golden("report/fit.txt", fit_table(samples::fit())); }
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

}  // namespace
}  // namespace starwaist
