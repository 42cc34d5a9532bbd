#include "diagnosis/settings.h"

#include "starwaist/numbers.h"

namespace starwaist::bench::diagnosis {

std::optional<Settings> settings_from(int argc, char** argv) {
  Settings settings;
  for (int i = 1; i < argc; ++i) {
    const std::string option = argv[i];
    const auto value = [&]() -> std::optional<double> {
      return i + 1 < argc ? parse_number(argv[++i]) : std::nullopt;
    };
    const auto count = [&](int& target) {
      const auto number = value();
      if (!number || !(*number >= 0 && *number <= 1e6)) return false;
      target = static_cast<int>(*number);
      return true;
    };
    bool fine = true;
    if (option == "--full") {
      settings.causes = 100;
      settings.healthy = 300;
      settings.pairs = 100;
    } else if (option == "--table") {
      settings.table = true;
    } else if (option == "--no-rig") {
      settings.rig = false;
    } else if (option == "--weakest") {
      settings.weakest = true;
    } else if (option == "--graded") {
      settings.graded = true;
    } else if (option == "--wide") {
      settings.wide = true;
    } else if (option == "--show") {
      settings.show = true;
    } else if (option == "--keep" && i + 1 < argc) {
      settings.keep = argv[++i];
    } else if (option == "--causes") {
      fine = count(settings.causes);
    } else if (option == "--healthy") {
      fine = count(settings.healthy);
    } else if (option == "--pairs") {
      fine = count(settings.pairs);
    } else if (option == "--threads") {
      fine = count(settings.threads);
    } else if (option == "--only" && i + 1 < argc) {
      settings.only = argv[++i];
    } else if (option == "--seed") {
      const auto number = value();
      fine = number && *number >= 0 && *number < 1e15;
      if (fine) settings.seed = static_cast<std::uint64_t>(*number);
    } else {
      fine = false;
    }
    if (!fine) return std::nullopt;
  }
  return settings;
}

}  // namespace starwaist::bench::diagnosis
