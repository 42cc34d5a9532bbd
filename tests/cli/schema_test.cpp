// What every command writes with --json is valid by the schemas below lib/schema, and each code in
// it is one that the catalogue or a cause has.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "cli/call_program.h"
#include "starwaist/codes.h"
#include "starwaist/diagnosis.h"
#include "support/temporary_folder.h"
#include "support/valid_answers.h"

namespace starwaist {
namespace {

using Json = nlohmann::json;
using testing_support::call;
using testing_support::Words;

const std::string kDemo = std::string(STARWAIST_SOURCE_DIR) + "/demo-frames";

bool is_known(const std::string& code) {
  return std::any_of(codes::kAll.begin(), codes::kAll.end(),
                     [&code](const codes::Entry& entry) { return entry.code == code; }) ||
         cause_page(code);
}

// The codes of an answer, wherever they stand; each list of them is as long as its list of words.
void collect_codes(const Json& value, std::set<std::string>& found) {
  if (!value.is_structured()) return;
  for (const auto& [key, inner] : value.items()) {
    if (value.is_object() && key.ends_with("_codes")) {
      const std::string words = key.substr(0, key.size() - std::string("_codes").size()) + "s";
      EXPECT_EQ(inner.size(), value[words].size()) << key;
      for (const auto& code : inner) found.insert(code.get<std::string>());
    } else if (value.is_object() && key.ends_with("_code")) {
      // Both are there or neither is.
      const std::string words = key.substr(0, key.size() - std::string("_code").size());
      EXPECT_EQ(inner.is_null(), value[words].is_null()) << key;
      if (!inner.is_null()) found.insert(inner.get<std::string>());
    }
    collect_codes(inner, found);
  }
}

std::string sweep(double step, int count, double best, double size_px = 2) {
  std::string text = "position,hfr,sigma,temperature,time,filter\n";
  for (int i = 0; i < count; ++i) {
    const double position = 5000 + step * (i - count / 2);
    const double ripple = 1 + 0.005 * ((i * 7) % 5 - 2) / 1.5;
    text += std::to_string(position) + "," +
            std::to_string(size_px * std::hypot(1, (position - best) / 100) * ripple) +
            ",0.02,4.5,2027-01-05T20:" + std::to_string(10 + i) + ":00,L\n";
  }
  return text;
}

std::string nights() {
  std::string text = "position,temperature,sigma,filter,time\n";
  for (int i = 0; i < 16; ++i) {
    const double temperature = 8 - 0.5 * i;
    text += std::to_string(5000 - 12 * temperature + (i * 7) % 5) + "," +
            std::to_string(temperature) + ",2," + (i % 2 == 0 ? "L" : "Ha") + ",2027-01-0" +
            std::to_string(1 + i / 8) + "T2" + std::to_string(i / 2 % 4) + ":" +
            (i % 2 == 0 ? "05" : "35") + ":00\n";
  }
  return text;
}

class Answers : public testing::Test {
 protected:
  void SetUp() override {
    STARWAIST_NEEDS(testing_support::has_validator(), testing_support::kNoValidator);
  }
  // What the command writes is kept for check().
  void keep(Words words) {
    const std::string file = folder_.in("answer_" + std::to_string(files_.size()) + ".json");
    for (const char* word : {"--json", file.c_str()}) words.emplace_back(word);
    const auto answer = call(words);
    ASSERT_LE(answer.status, 1) << words[0] << " " << words[1] << ": " << answer.err;
    files_.push_back(file);
  }
  void check() {
    EXPECT_EQ(testing_support::not_valid(files_), "");
    for (const std::string& file : files_) {
      std::istringstream text(testing_support::bytes_of(file));
      std::set<std::string> found;
      while (text >> std::ws && !text.eof()) {
        Json document;
        text >> document;
        collect_codes(document, found);
      }
      for (const std::string& code : found) EXPECT_TRUE(is_known(code)) << code;
      codes_.insert(found.begin(), found.end());
    }
  }
  [[nodiscard]] std::string in(const std::string& name) const { return folder_.in(name); }

  testing_support::TemporaryFolder folder_;
  std::vector<std::string> files_;
  std::set<std::string> codes_;
};

TEST_F(Answers, OfFramesAreValidByTheirSchemas) {
  const std::string rig = kDemo + "/rig.conf";
  for (const char* command : {"measure", "fit", "diagnose", "field", "watch"}) {
    Words words = {command, kDemo, "--config", rig};
    if (words[0] == "watch") words.emplace_back("--once");
    if (words[0] == "measure") words.emplace_back("--stars");
    keep(words);
  }
  keep({"fit", kDemo, "--config", rig, "--arrived", kDemo + "/frame_05.fits.fz"});
  files_.push_back(kDemo + "/truth.json");
  check();
}

TEST_F(Answers, OfTablesAreValidByTheirSchemas) {
  const Words optics = {"--f-number", "5",    "--focal-length-mm", "500",
                        "--pixel-um", "3.76", "--um-per-step",     "1"};
  const auto with_optics = [&optics](Words words) {
    words.insert(words.end(), optics.begin(), optics.end());
    return words;
  };
  const std::string good = folder_.write("good.csv", sweep(40, 9, 5003));
  const std::string short_one = folder_.write("short.csv", sweep(40, 3, 5003));
  const std::string aside = folder_.write("aside.csv", sweep(40, 9, 5300));
  const std::string flat = folder_.write("flat.csv", sweep(0.01, 9, 5003));
  const std::string back = folder_.write("back.csv", sweep(-40, 9, 5040));
  for (const std::string& table : {good, short_one, aside, flat}) {
    keep({"fit", table});
    keep(with_optics({"diagnose", table}));
  }
  keep(with_optics({"plan"}));
  keep({"plan", good, "--f-number", "5"});
  keep(with_optics({"backlash", good, back}));
  keep(with_optics({"backlash", good}));
  keep({"drift", folder_.write("nights.csv", nights()), "--predict", "2,Ha", "--um-per-step", "1"});
  for (const std::string& table : {good, aside}) {
    keep({"log", "add", table, "--ledger", in("runs.ledger")});
  }
  for (const char* command : {"list", "export", "check"}) {
    keep({"log", command, "--ledger", in("runs.ledger")});
  }
  check();
  for (const char* code : {"few_points", "repeat_sweep", "noise_assumed", "one_direction_only"}) {
    EXPECT_TRUE(codes_.contains(code)) << code;
  }
}

TEST_F(Answers, OfANightAreValidByTheirSchemas) {
  const auto made =
      call({"render", "--output", in("lights"), "--positions-steps",
            "5000,5000,5000,5000,5000,5000", "--width-px", "400", "--height-px", "300",
            "--star-count", "40", "--exposure-s", "300", "--seed", "8", "--quiet"});
  ASSERT_EQ(made.status, 0) << made.err;
  keep({"night", in("lights")});
  keep({"watch", in("lights"), "--once"});
  files_.push_back(in("lights/truth.json"));
  check();
}

}  // namespace
}  // namespace starwaist
