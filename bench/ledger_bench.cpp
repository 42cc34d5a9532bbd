// The ledger under stress: 200 writers killed at random moments, two writers of 500 runs each, and
// the time that listing and drift take with 100,000 runs.
//   ledger_bench [kills] [runs]      200 and 100000 by default
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <random>
#include <set>
#include <string>
#include <thread>
#include <vector>

#include "starwaist/past_runs.h"
#include "starwaist/report.h"
#include "support/ledger_runs.h"
#include "support/temporary_folder.h"

namespace {

using starwaist::Ledger;
using starwaist::testing_support::acknowledged;
using starwaist::testing_support::ledger_run;
using starwaist::testing_support::start_adding;
using starwaist::testing_support::TemporaryFolder;

// Of the processor: a machine that others use too does not change it. The ledger's files are in
// memory by then, so that a quiet machine's clock shows little more.
double seconds_since(std::clock_t start) {
  return static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC;
}

int killed(int kills) {
  const TemporaryFolder folder;
  const std::string path = folder.in("killed.ledger");
  std::mt19937 random(20270105);
  std::uniform_int_distribution<int> microseconds(0, 40000);
  std::set<int> told;
  for (int kill = 0; kill < kills; ++kill) {
    const auto child = start_adding(path, 1000 * kill, 1000);
    std::this_thread::sleep_for(std::chrono::microseconds(microseconds(random)));
    ::kill(child.pid, SIGKILL);
    for (const int number : acknowledged(child)) told.insert(number);
  }
  const auto ledger = Ledger::open(path, Ledger::Access::existing);
  if (!ledger) return 1;
  std::set<std::string> there;
  const auto kept = ledger->runs();
  if (!kept) return 1;
  for (const auto& run : *kept) there.insert(run.source);
  std::size_t lost = 0;
  for (const int number : told) lost += there.count("night/" + std::to_string(number)) == 0 ? 1 : 0;
  const auto faults = ledger->check();
  std::printf("%d kills: %zu runs acknowledged, %zu lost, %zu faults found by the check\n", kills,
              told.size(), lost, faults ? faults->size() : std::size_t{9999});
  return lost == 0 && faults && faults->empty() ? 0 : 1;
}

int two_writers() {
  const TemporaryFolder folder;
  const std::string path = folder.in("two.ledger");
  const auto first = start_adding(path, 0, 500);
  const auto second = start_adding(path, 5000, 500);
  acknowledged(first);
  acknowledged(second);
  const auto ledger = Ledger::open(path, Ledger::Access::existing);
  const auto runs = ledger ? ledger->counts()->runs : -1;
  std::printf("two writers of 500 runs: %ld runs\n", static_cast<long>(runs));
  return runs == 1000 ? 0 : 1;
}

int many(int count) {
  const TemporaryFolder folder;
  auto ledger = Ledger::open(folder.in("many.ledger"), Ledger::Access::create);
  if (!ledger) return 1;
  std::clock_t start = std::clock();
  std::vector<starwaist::LedgerRun> batch;
  for (int i = 0; i < count; ++i) {
    batch.push_back(ledger_run(i));
    if (batch.size() == 1000 || i + 1 == count) {
      if (!ledger->add(batch)) return 1;
      batch.clear();
    }
  }
  std::printf("%d runs with 9 points added in %.2f s of the processor\n", count,
              seconds_since(start));
  start = std::clock();
  starwaist::LedgerFilter filter;
  filter.details = false;
  const auto runs = ledger->runs(filter);
  const double read = seconds_since(start);
  const std::string table = starwaist::log_table(*runs);
  std::printf("list: %zu runs read in %.2f s, with the table %.2f s\n", runs->size(), read,
              seconds_since(start));
  start = std::clock();
  std::vector<starwaist::DriftRun> drift;
  const auto again = ledger->runs(filter);
  if (!again) return 1;
  for (const auto& run : *again) {
    drift.push_back(starwaist::drift_run(run, static_cast<int>(drift.size()) + 1));
  }
  const auto fit = starwaist::fit_drift(drift);
  std::printf("drift: %d of %d runs, slope %.3f (12 was put in), in %.2f s\n", fit->result.used,
              fit->result.runs, *fit->result.slope_steps_per_c, seconds_since(start));
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  const int kills = argc > 1 ? std::atoi(argv[1]) : 200;
  const int runs = argc > 2 ? std::atoi(argv[2]) : 100000;
  return killed(kills) + two_writers() + many(runs);
}
