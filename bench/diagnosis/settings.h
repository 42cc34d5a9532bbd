// What the caller asks for.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

namespace starwaist::bench::diagnosis {

struct Settings {
  int causes = 3;
  int healthy = 15;
  int pairs = 15;
  bool table = false;
  bool rig = true;
  bool weakest = false;
  bool graded = false;
  bool wide = false;
  bool show = false;
  std::string keep;
  std::string only;
  std::uint64_t seed = 1;
  int threads = 0;
};

// Nothing for an argument that is not known or has no fitting value.
std::optional<Settings> settings_from(int argc, char** argv);

}  // namespace starwaist::bench::diagnosis
