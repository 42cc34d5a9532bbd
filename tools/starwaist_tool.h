// The program as a function, so that tests call it directly: arguments in, streams out.
#pragma once

#include <cstddef>
#include <functional>
#include <ostream>
#include <span>
#include <string>

namespace starwaist::tool {

// Exit statuses, as in tools/README.md.
enum ExitStatus : int {
  kTrusted = 0,
  kNotTrusted = 1,  // the work was done; the verdict is doubtful or unusable
  kWrongUsage = 2,
  kNoInputOrOutput = 3,  // no usable input at all, or an output that cannot be written
  kInterrupted = 130,
};

struct ToolStreams {
  std::ostream& out;
  std::ostream& err;
  bool show_progress = false;         // a line that is redrawn on `err`; for a terminal
  std::function<bool()> interrupted;  // asked between frames; empty: never
  std::size_t width = 79;             // characters that a line of `out` has room for
};

// Runs the command that `arguments` (without the program's name) ask for.
int run_tool(std::span<const std::string> arguments, const ToolStreams& streams);

}  // namespace starwaist::tool
