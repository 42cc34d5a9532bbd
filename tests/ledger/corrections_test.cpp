// What a rig took in the same time, and what the user corrects, notes and merges.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "core/clock.h"
#include "starwaist/ledger.h"
#include "support/ledger_runs.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::HasSubstr;
using testing_support::ledger_run;
using testing_support::opened;
using testing_support::TemporaryFolder;

// Run `number` with the times of its exposures: ten minutes about its middle.
LedgerRun timed_run(int number) {
  LedgerRun run = ledger_run(number);
  const double middle = 1.79e9 + 1800.0 * number;
  run.from_utc = core::format_utc(middle - 300);
  run.until_utc = core::format_utc(middle + 300);
  for (LedgerPoint& point : run.points) point.position_steps += 100 * number;
  return run;
}

TEST(Ledger, TheSameFramesLessOneReplaceTheRun) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const std::vector<LedgerRun> runs = {timed_run(1), timed_run(2), timed_run(3)};
  ASSERT_TRUE(ledger.add(runs));
  ASSERT_TRUE(ledger.note(2, "new coupling"));
  LedgerRun less = runs[1];
  less.points.erase(less.points.begin() + 3);
  less.best_focus_steps = *less.best_focus_steps + 2;
  less.from_utc = core::format_utc(1.79e9 + 3600 - 240);
  const auto added = ledger.add({&less, 1});
  ASSERT_TRUE(added);
  EXPECT_TRUE(added->front().replaced);
  EXPECT_FALSE(added->front().already_there);
  EXPECT_EQ(added->front().id, 2);
  const auto kept = ledger.runs();
  ASSERT_EQ(kept->size(), 3U);
  EXPECT_EQ((*kept)[1].best_focus_steps, less.best_focus_steps);
  EXPECT_EQ((*kept)[1].points.size(), less.points.size());
  EXPECT_EQ((*kept)[1].note, "new coupling");
  EXPECT_TRUE(ledger.add({&less, 1})->front().already_there);
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
}

TEST(Ledger, ACorrectedRigReplacesTheAnswer) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const LedgerRun run = timed_run(1);
  ASSERT_TRUE(ledger.add({&run, 1}));
  LedgerRun corrected = run;  // the same sizes, judged with another focus zone
  corrected.verdict = Verdict::doubtful;
  corrected.reasons = {"too wide"};
  EXPECT_TRUE(ledger.add({&corrected, 1})->front().replaced);
  ASSERT_EQ(ledger.runs()->size(), 1U);
  EXPECT_EQ(ledger.runs()->front().verdict, Verdict::doubtful);
  EXPECT_EQ(ledger.runs()->front().reasons, corrected.reasons);
}

TEST(Ledger, OtherRigsOtherPositionsAndOtherTimesStay) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const LedgerRun run = timed_run(1);
  ASSERT_TRUE(ledger.add({&run, 1}));
  LedgerRun other_rig = run;
  other_rig.rig = "garden";
  other_rig.points[2].size_px = 9;
  LedgerRun other_focuser = run;  // two telescopes of one name side by side
  for (LedgerPoint& point : other_focuser.points) point.position_steps += 40000;
  LedgerRun later = run;
  later.points[2].size_px = 8;
  later.from_utc = run.until_utc;  // begins where the other ends
  later.time_utc = core::format_utc(1.79e9 + 1800 + 600);
  later.until_utc = core::format_utc(1.79e9 + 1800 + 900);
  for (const LedgerRun& one : {other_rig, other_focuser, later}) {
    const auto added = ledger.add({&one, 1});
    ASSERT_TRUE(added);
    EXPECT_FALSE(added->front().replaced || added->front().already_there);
  }
  EXPECT_EQ(ledger.counts()->runs, 4);
}

TEST(Ledger, ARowWithoutSizesInTheTimeOfARunIsThatRun) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const LedgerRun run = timed_run(1);
  ASSERT_TRUE(ledger.add({&run, 1}));
  LedgerRun row = run;
  row.points.clear();
  row.from_utc.reset();
  row.until_utc.reset();
  row.best_focus_steps = *run.best_focus_steps + 7;  // of an export before a correction
  EXPECT_TRUE(ledger.add({&row, 1})->front().already_there);
  EXPECT_EQ(ledger.runs()->front().best_focus_steps, run.best_focus_steps);
  // Rows of one day, where only the day is known, are runs of their own.
  LedgerRun day;
  day.rig = "balcony";
  day.time_utc = "2027-02-03T00:00:00";
  day.best_focus_steps = 5000;
  LedgerRun another = day;
  another.best_focus_steps = 5010;
  EXPECT_FALSE(ledger.add({&day, 1})->front().already_there);
  EXPECT_FALSE(ledger.add({&another, 1})->front().already_there);
}

TEST(Ledger, RemovesAndNotes) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const std::vector<LedgerRun> runs = {timed_run(1), timed_run(2), timed_run(3)};
  ASSERT_TRUE(ledger.add(runs));
  const std::vector<std::int64_t> two = {1, 3};
  const std::vector<std::int64_t> absent = {2, 17};
  ASSERT_TRUE(ledger.remove(two));
  EXPECT_EQ(ledger.counts()->points, 9);
  const auto gone = ledger.remove(absent);
  ASSERT_FALSE(gone);
  EXPECT_THAT(gone.error().text(), HasSubstr("17"));
  ASSERT_EQ(ledger.runs()->size(), 1U);  // all of them or none
  ASSERT_TRUE(ledger.note(2, "clouds"));
  EXPECT_EQ(ledger.runs()->front().note, "clouds");
  ASSERT_TRUE(ledger.note(2, ""));
  EXPECT_FALSE(ledger.runs()->front().note);
  EXPECT_FALSE(ledger.note(17, "x"));
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
}

TEST(Ledger, MergesAnotherAndNothingTwice) {
  const TemporaryFolder folder;
  Ledger desk = opened(folder.in("desk.ledger"));
  Ledger small = opened(folder.in("small.ledger"));
  const std::vector<LedgerRun> shared = {timed_run(1), timed_run(2)};
  ASSERT_TRUE(desk.add(shared));
  LedgerRun less = timed_run(2);  // the small computer's older answer for the same frames
  less.points.pop_back();
  const std::vector<LedgerRun> others = {timed_run(1), less, timed_run(5)};
  ASSERT_TRUE(small.add(others));
  ASSERT_TRUE(small.note(1, "from the balcony"));
  LedgerMeasurement m;
  m.rig = "balcony";
  m.file = "light_001.fits";
  ASSERT_EQ(small.add_measurements({&m, 1}), 1);
  const auto merged = desk.merge(small);
  ASSERT_TRUE(merged) << merged.error().text();
  ASSERT_EQ(merged->runs.size(), 3U);
  EXPECT_TRUE(merged->runs[0].already_there);
  EXPECT_TRUE(merged->runs[1].already_there);
  EXPECT_FALSE(merged->runs[2].already_there);
  EXPECT_EQ(merged->measurements, 1);
  const auto runs = desk.runs();
  ASSERT_EQ(runs->size(), 3U);
  EXPECT_EQ((*runs)[0].note, "from the balcony");
  EXPECT_EQ((*runs)[1].points.size(), 9U);
  EXPECT_EQ(desk.merge(small)->measurements, 0);
  EXPECT_EQ(desk.counts()->runs, 3);
  EXPECT_EQ(small.counts()->runs, 3);
  EXPECT_THAT(*desk.check(), testing::IsEmpty());
}

}  // namespace
}  // namespace starwaist
