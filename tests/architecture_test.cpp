// The modules may include only what stands below them. This table and the one in DEVELOPERS.md are
// changed together.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <map>
#include <regex>
#include <set>
#include <string>
#include <vector>

namespace {

namespace fs = std::filesystem;

struct Module {
  std::set<std::string> public_headers;
  std::set<std::string> may_include;  // modules, beside itself
};

const std::map<std::string, Module>& modules() {
  static const std::map<std::string, Module> table = {
      {"core", {{"error.h", "interval.h", "fields.h", "numbers.h"}, {}}},
      {"numerics", {{"statistics.h"}, {"core"}}},
      {"optics", {{"rig.h"}, {"core"}}},
      {"frame", {{"frame.h"}, {"core"}}},
      {"stars", {{"stars.h"}, {"core", "numerics", "frame"}}},
      {"curve", {{"curve.h"}, {"core", "numerics", "optics"}}},
      {"advice", {{"plan.h", "backlash.h"}, {"core", "numerics", "optics", "curve"}}},
      {"field", {{"field.h"}, {"core", "numerics", "optics", "frame", "stars", "curve"}}},
      {"render", {{"render.h"}, {"core", "numerics", "optics", "frame"}}},
      {"drift", {{"drift.h"}, {"core", "numerics"}}},
      {"ledger", {{"ledger.h"}, {"core"}}},
      {"night", {{"night.h"}, {"core", "numerics"}}},
      {"diagnosis",
       {{"diagnosis.h"}, {"core", "numerics", "optics", "stars", "curve", "advice", "field"}}},
      {"intake", {{"intake.h", "history.h"}, {"core", "frame", "curve", "ledger"}}},
      {"run",
       {{"run.h", "past_runs.h", "watch.h", "session.h"},
        {"core", "numerics", "optics", "frame", "stars", "curve", "advice", "field", "render",
         "drift", "ledger", "night", "diagnosis", "intake"}}},
      {"report",
       {{"report.h"},
        {"core", "numerics", "optics", "frame", "stars", "curve", "advice", "field", "render",
         "drift", "ledger", "night", "diagnosis", "intake", "run"}}},
  };
  return table;
}

std::string module_of_header(const std::string& header) {
  for (const auto& [name, module] : modules()) {
    if (module.public_headers.count(header) != 0) return name;
  }
  return {};
}

// The module that an #include of the project names, empty for other includes; "?" where unknown.
std::string included_module(const std::string& line) {
  static const std::regex public_include(R"re(^\s*#\s*include\s*"starwaist/([^"]+)")re");
  static const std::regex private_include(R"re(^\s*#\s*include\s*"([a-z_]+)/[^"]+")re");
  std::smatch match;
  if (std::regex_search(line, match, public_include)) {
    const std::string module = module_of_header(match[1]);
    return module.empty() ? "?" : module;
  }
  if (std::regex_search(line, match, private_include)) {
    return modules().count(match[1]) != 0 ? std::string(match[1]) : "?";
  }
  return {};
}

void check_file(const fs::path& file, const std::string& module) {
  std::ifstream in(file);
  std::string line;
  for (int number = 1; std::getline(in, line); ++number) {
    const std::string target = included_module(line);
    if (target.empty() || target == module) continue;
    EXPECT_TRUE(modules().at(module).may_include.count(target) != 0)
        << file << ":" << number << ": module " << module << " may not include " << target;
  }
}

TEST(Architecture, SourcesIncludeOnlyTheModulesBelow) {
  const fs::path root = fs::path(STARWAIST_SOURCE_DIR) / "lib" / "src";
  int files = 0;
  for (const auto& entry : fs::recursive_directory_iterator(root)) {
    if (!entry.is_regular_file()) continue;
    const std::string module = fs::relative(entry.path(), root).begin()->string();
    ASSERT_TRUE(modules().count(module) != 0) << "no such module in the table: " << module;
    check_file(entry.path(), module);
    ++files;
  }
  EXPECT_GE(files, static_cast<int>(modules().size()));
}

TEST(Architecture, PublicHeadersBelongToAModuleAndIncludeOnlyThoseBelow) {
  const fs::path root = fs::path(STARWAIST_SOURCE_DIR) / "lib" / "include" / "starwaist";
  for (const auto& entry : fs::directory_iterator(root)) {
    const std::string module = module_of_header(entry.path().filename().string());
    ASSERT_FALSE(module.empty()) << "in no module of the table: " << entry.path();
    check_file(entry.path(), module);
  }
}

TEST(Architecture, PublicHeadersNameNoLibraryThatAUserWouldNeedToCompile) {
  const std::regex forbidden(
      R"(#\s*include\s*<(opencv2|ceres|Eigen|fitsio|tiff|png|libraw|nlohmann|boost|sqlite3|CLI))");
  const fs::path root = fs::path(STARWAIST_SOURCE_DIR) / "lib" / "include" / "starwaist";
  for (const auto& entry : fs::directory_iterator(root)) {
    std::ifstream in(entry.path());
    std::string line;
    while (std::getline(in, line)) {
      EXPECT_FALSE(std::regex_search(line, forbidden)) << entry.path() << ": " << line;
    }
  }
}

}  // namespace
