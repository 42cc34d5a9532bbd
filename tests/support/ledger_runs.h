// Made-up runs for ledgers, and processes that add them.
#pragma once

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "core/clock.h"
#include "starwaist/ledger.h"

namespace starwaist::testing_support {

// Run `number` of a season: different for every number.
inline LedgerRun ledger_run(int number, int points = 9) {
  LedgerRun run;
  run.rig = "balcony";
  run.time_utc = core::format_utc(1.79e9 + 1800.0 * number);
  run.filter = number % 3 == 0 ? "Ha" : "L";
  run.temperature_c = 10 - 0.01 * (number % 1500) - 0.5 * (number % 7);
  run.best_focus_steps = 5000 - 12 * *run.temperature_c + (number * 7919 % 13 - 6) * 0.7;
  run.sigma_steps = 2.5;
  run.interval_95_steps = {*run.best_focus_steps - 5, *run.best_focus_steps + 5};
  run.verdict = number % 10 == 9 ? Verdict::doubtful : Verdict::trusted;
  run.source = "night/" + std::to_string(number);
  for (int i = 0; i < points; ++i) {
    run.points.push_back({"f" + std::to_string(i) + ".fits", 4900.0 + 25 * i,
                          2.0 + 0.1 * i + 1e-4 * (number % 5000) + 1e-8 * number, 0.02, 4.0, true});
  }
  // Sizes to six digits distinguish runs: a position of its own does too.
  if (points > 0) run.points.front().position_steps = 1000 + number;
  return run;
}

// A child that adds runs from `first` on, one a transaction, and writes each number to the pipe
// once the ledger has acknowledged it. Ends after `count` runs.
struct AddingChild {
  pid_t pid = -1;
  int pipe = -1;  // reading end
};

inline AddingChild start_adding(const std::string& path, int first, int count) {
  int ends[2] = {-1, -1};
  if (::pipe(ends) != 0) return {};
  const pid_t pid = ::fork();
  if (pid == 0) {
    ::close(ends[0]);
    auto ledger = Ledger::open(path, Ledger::Access::create);
    if (!ledger) ::_exit(2);
    for (int i = first; i < first + count; ++i) {
      const LedgerRun run = ledger_run(i);
      const auto added = ledger->add({&run, 1});
      if (!added) ::_exit(3);
      const std::int32_t number = i;
      if (::write(ends[1], &number, sizeof number) != sizeof number) ::_exit(4);
    }
    ::_exit(0);
  }
  ::close(ends[1]);
  return {pid, ends[0]};
}

// The numbers acknowledged until the child's end; closes the pipe and collects the child.
inline std::vector<int> acknowledged(const AddingChild& child, int* status = nullptr) {
  std::vector<int> numbers;
  std::int32_t number = 0;
  while (::read(child.pipe, &number, sizeof number) == sizeof number) numbers.push_back(number);
  ::close(child.pipe);
  int ended = 0;
  ::waitpid(child.pid, &ended, 0);
  if (status != nullptr) *status = ended;
  return numbers;
}

inline Ledger opened(const std::string& path, Ledger::Access access = Ledger::Access::create) {
  auto ledger = Ledger::open(path, access);
  EXPECT_TRUE(ledger.has_value()) << (ledger ? "" : ledger.error().text());
  return std::move(*ledger);
}

}  // namespace starwaist::testing_support
