#include <malloc.h>
#include <unistd.h>

#include <atomic>
#include <csignal>
#include <cstdlib>
#include <iostream>
#include <string>
#include <vector>

#include "starwaist_tool.h"
#include "terminal.h"

namespace {

std::atomic<bool> interrupted{false};
static_assert(std::atomic<bool>::is_always_lock_free, "set by a signal handler");

extern "C" void on_interrupt(int) {
  interrupted = true;
  // A second interrupt ends the program at once.
  std::signal(SIGINT, SIG_DFL);
}

// Images of strips come and go: memory given back to the system in between costs more, page by
// page, than the work on it.
void keep_freed_memory() {
#ifdef M_MMAP_THRESHOLD
  constexpr int kMiB = 1 << 20;
  mallopt(M_MMAP_THRESHOLD, 32 * kMiB);  // whole frames still go back
  mallopt(M_TRIM_THRESHOLD, 256 * kMiB);
  mallopt(M_TOP_PAD, 16 * kMiB);
#endif
}

}  // namespace

int main(int argc, char** argv) {
  keep_freed_memory();
  std::signal(SIGINT, on_interrupt);
  std::signal(SIGPIPE, SIG_IGN);  // a closed pipe shows as a failed write
  const std::vector<std::string> arguments(argv + (argc > 0 ? 1 : 0), argv + argc);
  return starwaist::tool::run_tool(
      arguments,
      {std::cout, std::cerr, isatty(STDERR_FILENO) == 1, [] { return interrupted.load(); },
       starwaist::tool::line_width(STDOUT_FILENO, std::getenv("COLUMNS"))});
}
