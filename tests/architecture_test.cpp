// The modules may include only what stands below them, and of another module's private headers only
// the open ones. This table and the one in DEVELOPERS.md are changed together.
#include <gtest/gtest.h>

#include <algorithm>
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
  std::string name;
  std::set<std::string> public_headers;
  std::set<std::string> may_include;  // modules, beside itself
  // Private headers that other modules may include as well, and which modules do.
  std::map<std::string, std::set<std::string>> open_headers;
};

// Of a header that is made for all modules above.
const std::string kEveryone = "everyone";

// Bottom to top. What no file uses is not in it.
const std::vector<Module>& modules() {
  static const std::vector<Module> table = {
      {"core",
       {"codes.h", "error.h", "interval.h", "fields.h", "limits.h", "numbers.h", "statement.h",
        "terms.h"},
       {},
       {{"clock.h", {kEveryone}},
        {"encode.h", {"render", "report"}},
        {"large_pages.h", {"frame"}},
        {"parallel.h", {kEveryone}},
        {"replace_file.h", {kEveryone}}}},
      {"numerics",
       {"statistics.h"},
       {},
       {{"grid.h", {kEveryone}},
        {"line.h", {kEveryone}},
        {"linear_fit.h", {kEveryone}},
        {"log_sum.h", {kEveryone}},
        {"normal_equations.h", {kEveryone}},
        {"robust.h", {kEveryone}},
        {"root.h", {kEveryone}},
        {"small_cholesky.h", {kEveryone}}}},
      {"optics",
       {"rig.h", "seeing.h", "move.h"},
       {"core"},
       {{"kolmogorov.h", {"advice", "diagnosis"}}}},
      {"frame", {"frame.h"}, {"core"}, {{"read_frame.h", {"run"}}}},
      {"stars",
       {"darks.h", "stars.h"},
       {"core", "numerics", "frame"},
       {{"run_camera.h", {"run"}}, {"point_sources.h", {"run"}}}},
      {"curve",
       {"curve.h"},
       {"core", "numerics", "optics"},
       {{"curve_samples.h", {"diagnosis"}},
        {"accounts.h", {"diagnosis"}},
        {"growing_blur.h", {"diagnosis"}},
        {"curve_shape.h", {"advice", "diagnosis"}},
        {"least_squares.h", {"advice"}},
        {"noise.h", {"diagnosis"}},
        {"priors.h", {"advice", "diagnosis", "field", "live"}},
        {"shape_fit.h", {"advice", "diagnosis"}}}},
      {"advice",
       {"conditions.h", "plan.h", "next_sample.h", "search.h", "backlash.h"},
       {"core", "numerics", "optics", "curve"},
       {}},
      {"field", {"field.h"}, {"core", "numerics", "optics", "frame", "stars", "curve"}, {}},
      {"render", {"render.h"}, {"core", "numerics", "optics", "frame"}, {}},
      {"drift", {"drift.h"}, {"core", "numerics"}, {}},
      {"ledger", {"ledger.h"}, {"core"}, {}},
      {"night", {"night.h"}, {"core", "numerics"}, {}},
      {"diagnosis", {"diagnosis.h"}, {"core", "numerics", "optics", "stars", "curve", "field"}, {}},
      {"intake",
       {"intake.h", "history.h"},
       {"core", "frame", "curve", "ledger"},
       {{"csv.h", {"run"}},
        {"folder.h", {"run", "live"}},
        {"manifest.h", {"run"}},
        {"past_points.h", {"run"}}}},
      {"run",
       {"run.h", "past_runs.h"},
       {"core", "numerics", "optics", "frame", "stars", "curve", "drift", "ledger", "diagnosis",
        "intake"},
       {{"matched_sizes.h", {"session"}},
        {"point_facts.h", {"session"}},
        {"follow_stars.h", {"live"}},
        {"record_frames.h", {"live"}}}},
      {"live", {"live.h"}, {"core", "optics", "frame", "curve", "advice", "intake", "run"}, {}},
      {"session",
       {"session.h"},
       {"core", "numerics", "optics", "frame", "stars", "ledger", "night", "run"},
       {}},
      {"report",
       {"page.h", "report.h"},
       {"core", "numerics", "optics", "frame", "stars", "curve", "advice", "render", "diagnosis",
        "run", "live", "session"},
       {}},
  };
  return table;
}

// One #include of the project's own.
struct Include {
  std::string place;  // "file:line"
  std::string by;     // module
  bool by_public = false;
  std::string of;      // module; empty where the table has no such header or folder
  std::string header;  // of the module
  bool is_public = false;
};

const Module* find_module(const std::vector<Module>& table, const std::string& name) {
  const auto found =
      std::find_if(table.begin(), table.end(), [&name](const Module& m) { return m.name == name; });
  return found == table.end() ? nullptr : &*found;
}

std::string module_of_public_header(const std::vector<Module>& table, const std::string& header) {
  for (const Module& module : table) {
    if (module.public_headers.count(header) != 0) return module.name;
  }
  return {};
}

// Adds the project's own includes of a file; `by` is its module.
void read_includes(const fs::path& file, const std::string& by, bool by_public,
                   std::vector<Include>& includes) {
  static const std::regex pattern(R"re(^\s*#\s*include\s*"([a-z_0-9]+)/([^"]+)")re");
  std::ifstream in(file);
  std::string line;
  for (int number = 1; std::getline(in, line); ++number) {
    std::smatch match;
    if (!std::regex_search(line, match, pattern)) continue;
    Include include{file.string() + ":" + std::to_string(number),
                    by,
                    by_public,
                    {},
                    match[2],
                    match[1] == "starwaist"};
    include.of = include.is_public ? module_of_public_header(modules(), include.header)
                 : find_module(modules(), match[1]) != nullptr ? std::string(match[1])
                                                               : std::string();
    includes.push_back(include);
  }
}

fs::path sources() { return fs::path(STARWAIST_SOURCE_DIR) / "lib" / "src"; }
fs::path public_headers() {
  return fs::path(STARWAIST_SOURCE_DIR) / "lib" / "include" / "starwaist";
}

std::vector<Include> all_includes() {
  std::vector<Include> includes;
  for (const auto& entry : fs::recursive_directory_iterator(sources())) {
    if (!entry.is_regular_file()) continue;
    const std::string module = fs::relative(entry.path(), sources()).begin()->string();
    read_includes(entry.path(), module, false, includes);
  }
  for (const auto& entry : fs::directory_iterator(public_headers())) {
    const std::string header = entry.path().filename().string();
    read_includes(entry.path(), module_of_public_header(modules(), header), true, includes);
  }
  return includes;
}

// What breaks the table, a sentence each.
std::vector<std::string> broken_by(const std::vector<Module>& table,
                                   const std::vector<Include>& includes) {
  std::vector<std::string> broken;
  for (const Include& i : includes) {
    const Module* by = find_module(table, i.by);
    const Module* of = find_module(table, i.of);
    if (by == nullptr) {
      broken.push_back(i.place + ": in no module of the table");
    } else if (of == nullptr) {
      broken.push_back(i.place + ": " + i.header + " is of no module of the table");
    } else if (i.by_public && !i.is_public) {
      broken.push_back(i.place + ": a public header may not include the private " + i.header);
    } else if (i.by == i.of) {
      continue;
    } else if (by->may_include.count(i.of) == 0) {
      broken.push_back(i.place + ": module " + i.by + " may not include " + i.of);
    } else if (!i.is_public) {
      const auto open = of->open_headers.find(i.header);
      if (open == of->open_headers.end() ||
          open->second.count(i.by) + open->second.count(kEveryone) == 0) {
        broken.push_back(i.place + ": " + i.header + " of " + i.of + " is not open to " + i.by);
      }
    }
  }
  return broken;
}

// What the table allows and no file uses.
std::vector<std::string> unused_of(const std::vector<Module>& table,
                                   const std::vector<Include>& includes) {
  std::vector<std::string> unused;
  const auto any = [&includes](auto condition) {
    return std::any_of(includes.begin(), includes.end(), condition);
  };
  for (const Module& module : table) {
    for (const std::string& of : module.may_include) {
      if (!any([&](const Include& i) { return i.by == module.name && i.of == of; })) {
        unused.push_back("no file of " + module.name + " includes " + of);
      }
    }
    for (const auto& [header, users] : module.open_headers) {
      for (const std::string& user : users) {
        if (!any([&, &name = header](const Include& i) {
              const bool is_user = user == kEveryone ? i.by != module.name : i.by == user;
              return is_user && i.of == module.name && i.header == name && !i.is_public;
            })) {
          unused.push_back("no file of " + user + " includes " + header + " of " + module.name);
        }
      }
    }
  }
  return unused;
}

std::string lines(const std::vector<std::string>& sentences) {
  std::string text;
  for (const std::string& sentence : sentences) text += sentence + "\n";
  return text;
}

TEST(Architecture, ModulesMayIncludeOnlyThoseBelowThem) {
  std::set<std::string> below;
  for (const Module& module : modules()) {
    for (const std::string& of : module.may_include) {
      EXPECT_TRUE(below.count(of) != 0) << module.name << " stands not above " << of;
    }
    EXPECT_TRUE(below.insert(module.name).second) << module.name << " is there twice";
  }
}

TEST(Architecture, EveryFolderAndPublicHeaderIsInTheTable) {
  std::set<std::string> folders;
  for (const auto& entry : fs::directory_iterator(sources())) {
    folders.insert(entry.path().filename().string());
  }
  std::set<std::string> headers;
  for (const auto& entry : fs::directory_iterator(public_headers())) {
    headers.insert(entry.path().filename().string());
  }
  std::set<std::string> folders_of_table;
  std::set<std::string> headers_of_table;
  for (const Module& module : modules()) {
    folders_of_table.insert(module.name);
    headers_of_table.insert(module.public_headers.begin(), module.public_headers.end());
  }
  EXPECT_EQ(folders, folders_of_table);
  EXPECT_EQ(headers, headers_of_table);
}

TEST(Architecture, FilesIncludeOnlyWhatTheTableAllows) {
  const std::vector<std::string> broken = broken_by(modules(), all_includes());
  EXPECT_TRUE(broken.empty()) << lines(broken);
}

TEST(Architecture, TableAllowsNothingThatNoFileUses) {
  const std::vector<std::string> unused = unused_of(modules(), all_includes());
  EXPECT_TRUE(unused.empty()) << lines(unused);
}

// The checks above can fail: two made-up modules, high above low.
class MadeUpModules : public testing::Test {
 protected:
  static std::vector<Module> table() {
    return {{"low", {"low.h"}, {}, {{"open.h", {"high"}}}}, {"high", {"high.h"}, {"low"}, {}}};
  }
  static Include include(const std::string& by, const std::string& of, const std::string& header,
                         bool is_public) {
    return {"file:1", by, false, of, header, is_public};
  }
};

TEST_F(MadeUpModules, AllowPublicAndOpenHeadersFromBelow) {
  const std::vector<Include> includes{include("high", "low", "low.h", true),
                                      include("high", "low", "open.h", false),
                                      include("low", "low", "closed.h", false)};
  EXPECT_EQ(lines(broken_by(table(), includes)), "");
  EXPECT_EQ(lines(unused_of(table(), includes)), "");
}

TEST_F(MadeUpModules, RejectEveryOtherInclude) {
  EXPECT_EQ(lines(broken_by(table(), {include("low", "high", "high.h", true)})),
            "file:1: module low may not include high\n");
  EXPECT_EQ(lines(broken_by(table(), {include("high", "low", "closed.h", false)})),
            "file:1: closed.h of low is not open to high\n");
  EXPECT_EQ(lines(broken_by(table(), {include("high", "", "other.h", true)})),
            "file:1: other.h is of no module of the table\n");
  Include from_public = include("high", "low", "open.h", false);
  from_public.by_public = true;
  EXPECT_EQ(lines(broken_by(table(), {from_public})),
            "file:1: a public header may not include the private open.h\n");
}

TEST_F(MadeUpModules, NameWhatIsAllowedForNothing) {
  EXPECT_EQ(lines(unused_of(table(), {include("high", "low", "low.h", true)})),
            "no file of high includes open.h of low\n");
  EXPECT_EQ(lines(unused_of(table(), {})),
            "no file of high includes open.h of low\nno file of high includes low\n");
}

TEST(Architecture, PublicHeadersNameNoLibraryThatAUserWouldNeedToCompile) {
  const std::regex forbidden(
      R"(#\s*include\s*<(opencv2|ceres|Eigen|fitsio|tiff|png|libraw|nlohmann|boost|sqlite3|re2|CLI))");
  for (const auto& entry : fs::directory_iterator(public_headers())) {
    std::ifstream in(entry.path());
    std::string line;
    while (std::getline(in, line)) {
      EXPECT_FALSE(std::regex_search(line, forbidden)) << entry.path() << ": " << line;
    }
  }
}

}  // namespace
