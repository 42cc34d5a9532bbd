#include "starwaist/ledger.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sqlite3.h>
#include <sys/stat.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <limits>
#include <map>
#include <random>
#include <set>
#include <string>
#include <thread>
#include <vector>

#include "support/ledger_runs.h"
#include "support/temporary_folder.h"

namespace starwaist {
namespace {

using testing::HasSubstr;
using testing_support::acknowledged;
using testing_support::bytes_of;
using testing_support::ledger_run;
using testing_support::opened;
using testing_support::start_adding;
using testing_support::TemporaryFolder;

LedgerFilter chosen(const std::map<std::string, std::string>& by) {
  LedgerFilter filter;
  for (const auto& [name, value] : by) {
    if (name == "from") filter.from = value;
    if (name == "until") filter.until = value;
    if (name == "rig") filter.rig = value;
    if (name == "filter") filter.filter = value;
    if (name == "verdict") filter.verdict = enum_from_name<Verdict>(value);
  }
  return filter;
}

// Runs SQL on a file without the library's help.
void run_sql(const std::string& path, const std::string& sql) {
  sqlite3* handle = nullptr;
  ASSERT_EQ(sqlite3_open(path.c_str(), &handle), SQLITE_OK);
  char* words = nullptr;
  EXPECT_EQ(sqlite3_exec(handle, sql.c_str(), nullptr, nullptr, &words), SQLITE_OK)
      << (words != nullptr ? words : "");
  sqlite3_close(handle);
}

TEST(Ledger, GivesBackWhatWasAdded) {
  const TemporaryFolder folder;
  LedgerRun run = ledger_run(3);
  run.altitude_deg = 55.5;
  run.reasons = {"one reason", "another"};
  run.findings = {"slack"};
  run.points[4].size_px.reset();
  run.points[5].used = false;
  {
    Ledger ledger = opened(folder.in("a.ledger"));
    const auto added = ledger.add({&run, 1});
    ASSERT_TRUE(added);
    EXPECT_FALSE(added->front().already_there);
  }
  const auto runs = opened(folder.in("a.ledger"), Ledger::Access::existing).runs();
  ASSERT_TRUE(runs);
  ASSERT_EQ(runs->size(), 1U);
  const LedgerRun& back = runs->front();
  EXPECT_EQ(back.id, 1);
  EXPECT_EQ(back.rig, "balcony");
  EXPECT_EQ(back.time_utc, run.time_utc);
  EXPECT_EQ(back.filter, run.filter);
  EXPECT_EQ(back.temperature_c, run.temperature_c);
  EXPECT_EQ(back.altitude_deg, run.altitude_deg);
  EXPECT_EQ(back.best_focus_steps, run.best_focus_steps);
  EXPECT_EQ(back.interval_95_steps.high, run.interval_95_steps.high);
  EXPECT_EQ(back.verdict, run.verdict);
  EXPECT_EQ(back.reasons, run.reasons);
  EXPECT_EQ(back.findings, run.findings);
  ASSERT_EQ(back.points.size(), run.points.size());
  EXPECT_EQ(back.points[0].position_steps, run.points[0].position_steps);
  EXPECT_FALSE(back.points[4].size_px);
  EXPECT_FALSE(back.points[5].used);
}

TEST(Ledger, TheSameRunTwiceIsOne) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  LedgerRun run = ledger_run(1);
  run.time_utc.reset();
  ASSERT_TRUE(ledger.add({&run, 1}));
  // From another folder, by a fit that knows the time: the same points.
  LedgerRun again = ledger_run(1);
  again.source = "elsewhere";
  const auto added = ledger.add({&again, 1});
  ASSERT_TRUE(added);
  EXPECT_TRUE(added->front().already_there);
  EXPECT_EQ(added->front().id, 1);
  const auto runs = ledger.runs();
  ASSERT_EQ(runs->size(), 1U);
  EXPECT_EQ(runs->front().time_utc, again.time_utc);  // filled in
  EXPECT_EQ(runs->front().source, run.source);
  // The row of an export, which has no points, is that run too.
  LedgerRun other = ledger_run(2);
  ASSERT_TRUE(ledger.add({&other, 1}));
  other.points.clear();
  EXPECT_TRUE(ledger.add({&other, 1})->front().already_there);
  EXPECT_EQ(ledger.counts()->runs, 2);
}

TEST(Ledger, FactsThatWereMissingAreFilledInAndNoOther) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  const LedgerRun whole = ledger_run(1);  // with every fact
  LedgerRun bare = whole;
  bare.time_utc.reset();
  bare.filter.reset();
  bare.temperature_c.reset();
  bare.altitude_deg.reset();
  bare.best_focus_steps.reset();
  bare.sigma_steps.reset();
  bare.verdict.reset();
  bare.findings.clear();
  LedgerRun full = whole;
  full.altitude_deg = 61.5;
  full.findings = {"slack"};
  ASSERT_TRUE(ledger.add({&bare, 1}));
  ASSERT_TRUE(ledger.add({&full, 1})->front().already_there);
  const auto expect_full = [&] {
    const auto runs = ledger.runs();
    ASSERT_EQ(runs->size(), 1U);
    const LedgerRun& kept = runs->front();
    EXPECT_EQ(kept.time_utc, full.time_utc);
    EXPECT_EQ(kept.filter, full.filter);
    EXPECT_EQ(kept.temperature_c, full.temperature_c);
    EXPECT_EQ(kept.altitude_deg, full.altitude_deg);
    EXPECT_EQ(kept.best_focus_steps, full.best_focus_steps);
    EXPECT_EQ(kept.sigma_steps, full.sigma_steps);
    EXPECT_EQ(kept.verdict, full.verdict);
    EXPECT_EQ(kept.findings, full.findings);
  };
  expect_full();
  // A later answer for the same frames changes nothing that is there.
  LedgerRun other = full;
  other.time_utc = "2031-01-01T00:00:00";
  other.filter = "Ha";
  other.temperature_c = -20;
  other.altitude_deg = 10;
  other.best_focus_steps = 1;
  other.sigma_steps = 99;
  other.verdict = Verdict::unusable;
  other.findings = {"focus_jump"};
  ASSERT_TRUE(ledger.add({&other, 1})->front().already_there);
  expect_full();
}

TEST(Ledger, EqualRowsOfOneTableWithoutTimesAreDifferentRuns) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  LedgerRun row;
  row.best_focus_steps = 5000;
  row.temperature_c = 4;
  const std::vector<LedgerRun> table = {row, row, row};
  ASSERT_TRUE(ledger.add(table));
  EXPECT_EQ(ledger.counts()->runs, 3);
  ASSERT_TRUE(ledger.add(table));
  EXPECT_EQ(ledger.counts()->runs, 3);
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
}

TEST(Ledger, RunsWithoutPointsAreKnownByTheirAltitudeToo) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  LedgerRun high = ledger_run(1, 0);
  high.altitude_deg = 70;
  LedgerRun low = high;
  low.altitude_deg = 30;
  LedgerRun unknown = high;
  unknown.altitude_deg.reset();
  const std::vector<LedgerRun> runs = {high, low, unknown};
  const auto added = ledger.add(runs);
  ASSERT_TRUE(added);
  for (const LedgerAdded& one : *added) EXPECT_FALSE(one.already_there) << one.id;
  const auto again = ledger.add(runs);
  ASSERT_TRUE(again);
  for (std::size_t i = 0; i < runs.size(); ++i) {
    EXPECT_TRUE((*again)[i].already_there) << i;
    EXPECT_EQ((*again)[i].id, (*added)[i].id) << i;
  }
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
}

TEST(Ledger, ARunIsKnownByTheFactsThatWereFilledIn) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  LedgerRun run = ledger_run(1);
  ASSERT_TRUE(ledger.add({&run, 1}));
  run.altitude_deg = 55.5;
  EXPECT_TRUE(ledger.add({&run, 1})->front().already_there);
  EXPECT_EQ(ledger.runs()->front().altitude_deg, 55.5);
  // Its row of an export, which has no points.
  run.points.clear();
  EXPECT_TRUE(ledger.add({&run, 1})->front().already_there);
  EXPECT_EQ(ledger.counts()->runs, 1);
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
}

TEST(Ledger, ListsByDateRigFilterAndVerdict) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  std::vector<LedgerRun> runs;
  for (int i = 0; i < 4; ++i) {
    runs.push_back(ledger_run(i));
    runs.back().time_utc = "2027-0" + std::to_string(4 - i) + "-10T20:00:00";
    runs.back().filter = i % 2 == 0 ? "L" : "Ha";
    runs.back().rig = i == 3 ? "garden" : "balcony";
    runs.back().verdict = i == 0 ? Verdict::doubtful : Verdict::trusted;
  }
  runs.push_back(ledger_run(8));
  runs.back().time_utc.reset();
  ASSERT_TRUE(ledger.add(runs));
  const auto count = [&](const LedgerFilter& filter) { return ledger.runs(filter)->size(); };
  const auto all = *ledger.runs();
  ASSERT_EQ(all.size(), 5U);
  EXPECT_EQ(all.front().time_utc, "2027-01-10T20:00:00");
  EXPECT_FALSE(all.back().time_utc);
  EXPECT_EQ(count(chosen({{"from", "2027-02"}})), 3U);
  EXPECT_EQ(count(chosen({{"from", "2027-02"}, {"until", "2027-03"}})), 2U);
  EXPECT_EQ(count(chosen({{"until", "2027-01-10"}})), 1U);
  EXPECT_EQ(count(chosen({{"rig", "garden"}})), 1U);
  EXPECT_EQ(count(chosen({{"until", "2027-05"}, {"filter", "ha"}})), 2U);
  EXPECT_EQ(count(chosen({{"verdict", "doubtful"}})), 1U);
}

TEST(Ledger, KeepsSubExposures) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  LedgerMeasurement m;
  m.rig = "balcony";
  m.file = "light_001.fits";
  m.time_utc = "2027-01-05T20:00:00";
  m.hfr_px = 2.25;
  m.star_count = 140;
  EXPECT_EQ(ledger.add_measurements({&m, 1}), 1);
  EXPECT_EQ(ledger.add_measurements({&m, 1}), 0);
  const auto back = ledger.measurements(chosen({{"rig", "balcony"}}));
  ASSERT_TRUE(back);
  ASSERT_EQ(back->size(), 1U);
  EXPECT_EQ(back->front().star_count, 140);
  EXPECT_FALSE(back->front().eccentricity);
}

TEST(Ledger, AddsAllOrNone) {
  const TemporaryFolder folder;
  Ledger ledger = opened(folder.in("a.ledger"));
  std::vector<LedgerRun> runs = {ledger_run(1), ledger_run(2)};
  runs[1].temperature_c = std::numeric_limits<double>::quiet_NaN();
  EXPECT_FALSE(ledger.add(runs));
  EXPECT_EQ(ledger.counts()->runs, 0);
}

// ---- files that are no ledger, or another version's ----

TEST(OpenLedger, RefusesWhatIsNoneAndLeavesItAsItIs) {
  const TemporaryFolder folder;
  folder.write("notes.txt", "not a ledger\n");
  run_sql(folder.in("other.db"), "CREATE TABLE cats (name TEXT); INSERT INTO cats VALUES ('Tom')");
  folder.write("cut.db", bytes_of(folder.in("other.db")).substr(0, 100));
  for (const std::string name : {"notes.txt", "other.db", "cut.db"}) {
    const std::string before = bytes_of(folder.in(name));
    for (const auto access : {Ledger::Access::create, Ledger::Access::existing}) {
      const auto ledger = Ledger::open(folder.in(name), access);
      ASSERT_FALSE(ledger) << name;
      EXPECT_THAT(ledger.error().text(), HasSubstr(name));
    }
    EXPECT_EQ(bytes_of(folder.in(name)), before) << name;
  }
  EXPECT_FALSE(Ledger::open(folder.path().string(), Ledger::Access::create));
  EXPECT_FALSE(Ledger::open("", Ledger::Access::create));
  EXPECT_FALSE(Ledger::open(folder.in("absent"), Ledger::Access::existing));
  EXPECT_FALSE(std::filesystem::exists(folder.in("absent")));
  EXPECT_FALSE(Ledger::open(folder.in("no/such/folder"), Ledger::Access::create));
}

TEST(OpenLedger, AFileCutShortIsNamedNeverACrash) {
  const TemporaryFolder folder;
  {
    Ledger ledger = opened(folder.in("a.ledger"));
    std::vector<LedgerRun> runs;
    for (int i = 0; i < 60; ++i) runs.push_back(ledger_run(i));
    ASSERT_TRUE(ledger.add(runs));
  }
  const std::string whole = bytes_of(folder.in("a.ledger"));
  ASSERT_GT(whole.size(), 20000U);
  for (const std::size_t length : {std::size_t{50}, std::size_t{4096}, whole.size() / 2}) {
    folder.write("cut.ledger", whole.substr(0, length));
    const auto ledger = Ledger::open(folder.in("cut.ledger"), Ledger::Access::existing);
    if (!ledger) continue;
    const auto faults = ledger->check();
    EXPECT_TRUE(!faults || !faults->empty()) << length;
  }
}

TEST(OpenLedger, BringsVersionOneUpToDate) {
  const TemporaryFolder folder;
  run_sql(folder.in("old.ledger"), bytes_of(STARWAIST_SOURCE_DIR "/tests/ledger/version_1.sql"));
  Ledger ledger = opened(folder.in("old.ledger"), Ledger::Access::existing);
  const auto runs = ledger.runs();
  ASSERT_TRUE(runs);
  ASSERT_EQ(runs->size(), 2U);
  EXPECT_EQ(runs->front().best_focus_steps, 5033.25);
  EXPECT_THAT(runs->front().reasons, testing::IsEmpty());
  EXPECT_EQ(runs->front().points.size(), 1U);
  EXPECT_THAT(runs->back().findings, testing::ElementsAre("slack"));
  LedgerMeasurement m;
  m.rig = "balcony";
  m.file = "a.fits";
  EXPECT_EQ(ledger.add_measurements({&m, 1}), 1);
  const LedgerRun more = ledger_run(5);
  EXPECT_TRUE(ledger.add({&more, 1}));
}

TEST(OpenLedger, BringsVersionTwoUpToDate) {
  const TemporaryFolder folder;
  run_sql(folder.in("old.ledger"), bytes_of(STARWAIST_SOURCE_DIR "/tests/ledger/version_2.sql"));
  Ledger ledger = opened(folder.in("old.ledger"), Ledger::Access::existing);
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
  const auto before = ledger.runs();
  ASSERT_TRUE(before);
  ASSERT_EQ(before->size(), 5U);
  // What it holds is known when it is added again: with points, and as rows of a table with an
  // altitude, two of them alike and without a time.
  std::vector<LedgerRun> again = *before;
  for (LedgerRun& run : again) run.source = "elsewhere";
  const auto added = ledger.add(again);
  ASSERT_TRUE(added);
  for (std::size_t i = 0; i < again.size(); ++i) {
    EXPECT_TRUE((*added)[i].already_there) << i;
    EXPECT_EQ((*added)[i].id, again[i].id) << i;
  }
  EXPECT_EQ(ledger.counts()->runs, 5);
}

TEST(OpenLedger, BringsVersionThreeUpToDate) {
  const TemporaryFolder folder;
  run_sql(folder.in("old.ledger"), bytes_of(STARWAIST_SOURCE_DIR "/tests/ledger/version_3.sql"));
  Ledger ledger = opened(folder.in("old.ledger"), Ledger::Access::existing);
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
  const auto before = ledger.runs();
  ASSERT_TRUE(before);
  ASSERT_EQ(before->size(), 4U);
  // A run of it is known by its middle alone; its frames less one, with their times, replace it.
  LedgerRun again = before->front();
  ASSERT_EQ(again.points.size(), 9U);
  again.points.pop_back();
  again.from_utc = "2027-01-05T20:00:00";
  again.until_utc = "2027-01-05T20:08:00";
  const auto added = ledger.add({&again, 1});
  ASSERT_TRUE(added);
  EXPECT_TRUE(added->front().replaced);
  EXPECT_EQ(ledger.counts()->runs, 4);
}

TEST(OpenLedger, RefusesANewerVersion) {
  const TemporaryFolder folder;
  opened(folder.in("new.ledger"));
  run_sql(folder.in("new.ledger"), "PRAGMA user_version = 99");
  const auto ledger = Ledger::open(folder.in("new.ledger"), Ledger::Access::create);
  ASSERT_FALSE(ledger);
  EXPECT_THAT(ledger.error().text(), HasSubstr("version 99"));
}

TEST(CheckLedger, FindsWhatSomebodyChanged) {
  const TemporaryFolder folder;
  {
    Ledger ledger = opened(folder.in("a.ledger"));
    const LedgerRun run = ledger_run(1);
    ASSERT_TRUE(ledger.add({&run, 1}));
    EXPECT_THAT(*ledger.check(), testing::IsEmpty());
  }
  run_sql(folder.in("a.ledger"), "UPDATE points SET size_px = 9 WHERE place = 3");
  EXPECT_THAT(*opened(folder.in("a.ledger")).check(),
              testing::ElementsAre(HasSubstr("is not what was added")));
  run_sql(folder.in("a.ledger"), "DELETE FROM runs");  // without foreign keys
  EXPECT_THAT(*opened(folder.in("a.ledger")).check(), testing::Not(testing::IsEmpty()));
}

// ---- several processes, and their end ----

TEST(Ledger, TwoWritersLoseNothing) {
  const TemporaryFolder folder;
  constexpr int kEach = 60;
  const auto first = start_adding(folder.in("a.ledger"), 0, kEach);
  const auto second = start_adding(folder.in("a.ledger"), 1000, kEach);
  int first_status = -1;
  int second_status = -1;
  EXPECT_EQ(acknowledged(first, &first_status).size(), static_cast<std::size_t>(kEach));
  EXPECT_EQ(acknowledged(second, &second_status).size(), static_cast<std::size_t>(kEach));
  EXPECT_EQ(first_status, 0);
  EXPECT_EQ(second_status, 0);
  EXPECT_EQ(opened(folder.in("a.ledger")).counts()->runs, 2 * kEach);
}

TEST(Ledger, AKilledWriterLosesNoAcknowledgedRun) {
  const TemporaryFolder folder;
  std::mt19937 random(20270105);
  std::uniform_int_distribution<int> microseconds(0, 30000);
  std::set<int> acknowledged_runs;
  constexpr int kKills = 12;
  // On a machine too busy for any writer to get that far they are given longer and longer.
  constexpr int kMostKills = 100;
  for (int kill = 0; kill < kKills || (acknowledged_runs.empty() && kill < kMostKills); ++kill) {
    const auto child = start_adding(folder.in("a.ledger"), 1000 * kill, 1000);
    const int longer = std::max(1, kill - kKills + 2);
    std::this_thread::sleep_for(std::chrono::microseconds(longer * microseconds(random)));
    ::kill(child.pid, SIGKILL);
    for (const int number : acknowledged(child)) acknowledged_runs.insert(number);
  }
  const Ledger ledger = opened(folder.in("a.ledger"));
  EXPECT_THAT(*ledger.check(), testing::IsEmpty());
  std::set<std::string> sources;
  const auto runs = ledger.runs();
  ASSERT_TRUE(runs);
  for (const auto& run : *runs) sources.insert(run.source);
  for (const int number : acknowledged_runs) {
    EXPECT_TRUE(sources.count("night/" + std::to_string(number)) != 0) << number;
  }
  EXPECT_GT(acknowledged_runs.size(), 0U);
}

}  // namespace
}  // namespace starwaist
