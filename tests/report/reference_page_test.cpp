// The reference of every JSON and CSV field in tools/README.md, held against the descriptions that
// the answers are written by. STARWAIST_RENEW_GOLDEN=1 writes it anew.
#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <iterator>
#include <optional>
#include <string>
#include <type_traits>
#include <vector>

#include "starwaist/backlash.h"
#include "starwaist/codes.h"
#include "starwaist/diagnosis.h"
#include "starwaist/drift.h"
#include "starwaist/field.h"
#include "starwaist/ledger.h"
#include "starwaist/live.h"
#include "starwaist/night.h"
#include "starwaist/plan.h"
#include "starwaist/render.h"
#include "starwaist/run.h"
#include "starwaist/session.h"

namespace starwaist {
namespace {

template <class Value>
struct Inner {
  using type = Value;
  static constexpr const char* mark = "";
};
template <class Value>
struct Inner<std::optional<Value>> : Inner<Value> {};
template <class Value>
struct Inner<std::vector<Value>> {
  using type = typename Inner<Value>::type;
  static constexpr const char* mark = "[]";
};

// Of a member that says something in words: its codes stand beside them.
template <class Member>
void add_codes_row(const std::string& prefix, const std::string& name, std::string& page) {
  if constexpr (std::is_same_v<Member, Statement> ||
                std::is_same_v<Member, std::optional<Statement>>) {
    page += "| `" + prefix + code_key(name) + "` |  | code of `" + name + "` |\n";
  } else if constexpr (std::is_same_v<Member, std::vector<Statement>>) {
    page +=
        "| `" + prefix + codes_key(name) + "[]` |  | codes of `" + name + "`, in their order |\n";
  }
}

// One row a field; those of a struct inside follow under its own name.
template <class Struct>
void add_rows(const std::string& prefix, std::string& page) {
  Fields<Struct>::list.apply([&](const auto&... field) {
    const auto add = [&](const auto& f) {
      using Member = typename std::remove_cvref_t<decltype(f)>::member_type;
      using Value = typename Inner<Member>::type;
      const std::string name = prefix + std::string(f.name) + Inner<Member>::mark;
      page += "| `" + name + "` | " + std::string(f.unit) + " | " + std::string(f.meaning) + " |\n";
      add_codes_row<Member>(prefix, std::string(f.name), page);
      if constexpr (Described<Value>) add_rows<Value>(name + ".", page);
    };
    (add(field), ...);
  });
}

template <class Struct>
std::string section(const std::string& title, const std::string& note) {
  std::string page = "### " + title + "\n\n";
  if (!note.empty()) page += note + "\n\n";
  page += "| field | unit | meaning |\n| --- | --- | --- |\n";
  add_rows<Struct>("", page);
  return page + "\n";
}

std::string codes_section() {
  std::string page =
      "### Codes\n\n"
      "A reason, note, remedy or advice says the same whenever its code is the same, whatever its "
      "numbers and words. A reason that a cause gives has the cause's name as its code. Codes may "
      "be added; none changes its meaning.\n\n"
      "| code | in | what is said |\n| --- | --- | --- |\n";
  for (const codes::Entry& entry : codes::kAll) {
    page += "| `" + std::string(entry.code) + "` | " + std::string(entry.kind) + " | " +
            std::string(entry.meaning) + " |\n";
  }
  return page + "\n";
}

std::string reference() {
  std::string page;
  page += section<FrameMeasurement>(
      "measure: `frames[]`", "`stars` and `defects` only with `--stars`. The columns of `--csv`.");
  page += section<FitResult>("fit", "Also the object `fit` of diagnose.");
  page += section<Arrival>("fit: `arrived`", "`null` without `--arrived`.");
  page += section<Finding>(
      "diagnose: `findings[]`",
      "Beside it `fit`, and `healthy`: true where none is listed and the verdict is `trusted`.");
  page += section<FocusPlan>("plan", "");
  page += section<BacklashResult>("backlash", "");
  page += section<FieldZone>(
      "field: `zones[]`",
      "Beside it `tilt_x_steps`, `tilt_y_steps`, `tilt_sigma_steps` (the larger of "
      "`tilt_x_sigma_steps` and `tilt_y_sigma_steps`), `curvature_steps`, `curvature_sigma_steps`, "
      "`centre_focus_steps`, `compromise_focus_steps`, `stars`, `critical_focus_zone_steps`, "
      "`flat_steps`, `edge_growth_percent`, `verdict`, `reasons`, `reason_codes`, `notes`, "
      "`note_codes`.");
  page += section<Collimation>("field: `collimation`", "`null` where no frame shows rings.");
  page += section<DriftResult>("drift", "");
  page += section<NightFrameAnswer>("night: `frames[]`", "Behind the fields of measure.");
  page += section<NightResult>("night", "");
  page += section<WatchAnswer>("watch", "One object a line, a line a frame.");
  page += section<NightWatchAnswer>("watch, of a night", "With `mode` \"night\".");
  page += section<LedgerRun>("log: `runs[]`", "`points` only in `log export` to JSON.");
  page += section<RenderTruth>("render: `truth.json`", "");
  page += section<SkippedFile>("`skipped[]`, in every answer of frames or tables", "");
  page += section<Rig>("`rig`, in measure and fit",
                       "Also the options and keys of the rig file, with dashes: `pixel-um`.");
  page += codes_section();
  return page;
}

TEST(ReferencePage, ListsTheFieldsAsTheAnswersAreWrittenByThem) {
  const std::string path = std::string(STARWAIST_SOURCE_DIR) + "/tools/README.md";
  std::ifstream in(path, std::ios::binary);
  ASSERT_TRUE(in) << path << " is absent";
  std::string page{std::istreambuf_iterator<char>(in), {}};
  in.close();
  const std::string begin = "<!-- fields: made from the descriptions -->\n";
  const std::string end = "<!-- fields: end -->\n";
  const auto first = page.find(begin);
  const auto last = page.find(end);
  ASSERT_NE(first, std::string::npos);
  ASSERT_NE(last, std::string::npos);
  const std::size_t from = first + begin.size();
  if (std::getenv("STARWAIST_RENEW_GOLDEN") != nullptr) {
    page.replace(from, last - from, reference());
    std::ofstream(path, std::ios::binary) << page;
    return;
  }
  EXPECT_EQ(page.substr(from, last - from), reference()) << "differs from " << path;
}

}  // namespace
}  // namespace starwaist
