// Runs a program with text on its standard input and collects what it prints.
//
// Private header of module report.
#pragma once

#include <chrono>
#include <string>
#include <vector>

#include "starwaist/error.h"

namespace starwaist::report {

struct ChildOutput {
  int exit_status = 0;  // 128 + signal where a signal ended it
  std::string out;
  std::string err;
};

// Starts arguments[0] (found on PATH, no shell) with the C locale and `input` on standard input,
// and waits for its end. Touches no process-wide state: a child that dies early raises no SIGPIPE.
// Errors: not_found where it cannot be started; unreadable where it takes longer than `limit` (it
// is then ended).
Result<ChildOutput> run_child(const std::vector<std::string>& arguments, const std::string& input,
                              std::chrono::seconds limit);

}  // namespace starwaist::report
