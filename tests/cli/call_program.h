// The program as a function: arguments in, streams and status out.
#pragma once

#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <sstream>
#include <string>
#include <vector>

#include "starwaist_tool.h"

namespace starwaist::testing_support {

using Words = std::vector<std::string>;

struct Answer {
  int status = -1;
  std::string out;
  std::string err;
};

inline Answer call(const Words& arguments, std::function<bool()> interrupted = {}) {
  std::ostringstream out;
  std::ostringstream err;
  const int status = tool::run_tool(arguments, {out, err, false, std::move(interrupted)});
  return {status, out.str(), err.str()};
}

inline std::string read(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

inline void write(const std::filesystem::path& file, const std::string& text) {
  std::ofstream(file, std::ios::binary) << text;
}

}  // namespace starwaist::testing_support
