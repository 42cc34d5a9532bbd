#include <unistd.h>

#include <atomic>
#include <csignal>
#include <iostream>
#include <string>
#include <vector>

#include "starwaist_tool.h"

namespace {

std::atomic<bool> interrupted{false};
static_assert(std::atomic<bool>::is_always_lock_free, "set by a signal handler");

extern "C" void on_interrupt(int) {
  interrupted = true;
  // A second interrupt ends the program at once.
  std::signal(SIGINT, SIG_DFL);
}

}  // namespace

int main(int argc, char** argv) {
  std::signal(SIGINT, on_interrupt);
  std::signal(SIGPIPE, SIG_IGN);  // a closed pipe shows as a failed write
  const std::vector<std::string> arguments(argv + (argc > 0 ? 1 : 0), argv + argc);
  return starwaist::tool::run_tool(arguments, {std::cout, std::cerr, isatty(STDERR_FILENO) == 1,
                                               [] { return interrupted.load(); }});
}
