// Answers held against the schemas below lib/schema, by another program.
#pragma once

#include <array>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "support/needed.h"

namespace starwaist::testing_support {

inline constexpr const char* kNoValidator = "python3-jsonschema is not installed";

inline bool has_validator() {
  return std::system("/usr/bin/python3 -c 'import jsonschema' 2>/dev/null") == 0;
}

// A line for each document in the files that is not valid.
inline std::string not_valid(const std::vector<std::string>& files) {
  const std::string source = STARWAIST_SOURCE_DIR;
  std::string command = "/usr/bin/python3 -W ignore '" + source +
                        "/tests/support/validate_json.py' '" + source + "/lib/schema'";
  for (const std::string& file : files) command += " '" + file + "'";
  FILE* pipe = popen((command + " 2>&1").c_str(), "r");
  if (pipe == nullptr) return "no python3\n";
  std::string said;
  std::array<char, 4096> buffer{};
  for (std::size_t n = 0; (n = fread(buffer.data(), 1, buffer.size(), pipe)) > 0;) {
    said.append(buffer.data(), n);
  }
  const int status = pclose(pipe);
  if (status != 0 && said.empty()) return "the validator ended with " + std::to_string(status);
  return said;
}

}  // namespace starwaist::testing_support
