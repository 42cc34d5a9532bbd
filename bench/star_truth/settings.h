// What the caller asks for.
#pragma once

#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <optional>
#include <string>

namespace starwaist::bench::star_truth {

struct Settings {
  int trials = 3;
  std::uint64_t seed = 1;
  bool quick = false;
  bool facts = true;
  bool optics = false;
  std::string only;
};

// Nothing for an argument that is not known.
inline std::optional<Settings> settings_from(int argc, char** argv) {
  Settings settings;
  bool trials_given = false;
  for (int i = 1; i < argc; ++i) {
    const std::string name = argv[i];
    if (name == "--quick") {
      settings.quick = true;
    } else if (name == "--no-facts") {
      settings.facts = false;
    } else if (name == "--optics") {
      settings.optics = true;
    } else if (name == "--only" && i + 1 < argc) {
      settings.only = argv[++i];
    } else if (name == "--trials" && i + 1 < argc) {
      settings.trials = std::max(1, std::atoi(argv[++i]));
      trials_given = true;
    } else if (name == "--seed" && i + 1 < argc) {
      settings.seed = std::strtoull(argv[++i], nullptr, 10);
    } else {
      return std::nullopt;
    }
  }
  if (settings.quick && !trials_given) settings.trials = 2;
  return settings;
}

}  // namespace starwaist::bench::star_truth
