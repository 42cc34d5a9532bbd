// The schemas below lib/schema are what the descriptions give, and the golden answers are valid by
// them. STARWAIST_RENEW_GOLDEN=1 writes them anew.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <vector>

#include "report/answer_schemas.h"
#include "support/temporary_folder.h"
#include "support/valid_answers.h"

namespace starwaist {
namespace {

namespace fs = std::filesystem;
using json_schema::Json;

const std::string kSchemas = std::string(STARWAIST_SOURCE_DIR) + "/lib/schema/";
const std::string kGolden = std::string(STARWAIST_SOURCE_DIR) + "/tests/golden/report/";

std::string text_of(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::vector<std::string> golden_answers() {
  std::vector<std::string> files;
  for (const auto& entry : fs::directory_iterator(kGolden)) {
    const std::string ending = entry.path().extension().string();
    if (ending == ".json" || ending == ".jsonl") files.push_back(entry.path().string());
  }
  return files;
}

TEST(Schemas, AreWhatTheDescriptionsGive) {
  std::vector<std::string> names;
  for (const auto& [name, schema] : json_schema::all_answers()) {
    const std::string file = kSchemas + name + ".json";
    names.push_back(name + ".json");
    const std::string text = json_schema::schema_text(name, schema);
    if (std::getenv("STARWAIST_RENEW_GOLDEN") != nullptr) {
      std::ofstream(file, std::ios::binary) << text;
    }
    EXPECT_EQ(text_of(file), text) << "differs from " << file;
  }
  std::vector<std::string> there;
  for (const auto& entry : fs::directory_iterator(kSchemas)) {
    there.push_back(entry.path().filename().string());
  }
  EXPECT_THAT(there, testing::UnorderedElementsAreArray(names));
}

TEST(Schemas, HoldForTheGoldenAnswers) {
  STARWAIST_NEEDS(testing_support::has_validator(), testing_support::kNoValidator);
  const auto files = golden_answers();
  ASSERT_GE(files.size(), 9U);
  EXPECT_EQ(testing_support::not_valid(files), "");
}

// Every key of a golden answer is taken away or given a value of another kind, one at a time.
TEST(Schemas, RefuseAnAnswerThatLacksAKeyOrHasAWrongType) {
  STARWAIST_NEEDS(testing_support::has_validator(), testing_support::kNoValidator);
  const testing_support::TemporaryFolder folder;
  for (const std::string& file : golden_answers()) {
    if (!file.ends_with(".json")) continue;
    const Json whole = Json::parse(text_of(file));
    std::string lines;
    std::ptrdiff_t broken = 0;
    for (const auto& [key, value] : whole.items()) {
      if (key == "schema") continue;
      Json lacks = whole;
      lacks.erase(key);
      Json wrong = whole;
      wrong[key] = value.is_object() ? Json("text") : Json{{"an", "object"}};
      lines += lacks.dump() + "\n" + wrong.dump() + "\n";
      broken += 2;
    }
    const std::string path = folder.write("broken.jsonl", lines);
    const std::string said = testing_support::not_valid({path});
    EXPECT_EQ(std::count(said.begin(), said.end(), '\n'), broken) << file << "\n" << said;
  }
}

TEST(Schemas, RefuseAWrongElement) {
  STARWAIST_NEEDS(testing_support::has_validator(), testing_support::kNoValidator);
  const testing_support::TemporaryFolder folder;
  const Json whole = Json::parse(text_of(kGolden + "fit.json"));
  const auto refused = [&](const char* pointer, const Json& value) {
    Json broken = whole;
    broken[Json::json_pointer(pointer)] = value;
    return !testing_support::not_valid({folder.write("broken.json", broken.dump())}).empty();
  };
  EXPECT_FALSE(refused("/verdict", "doubtful"));
  EXPECT_TRUE(refused("/verdict", "perhaps"));
  EXPECT_TRUE(refused("/reason_codes/0", "Not A Code"));
  EXPECT_TRUE(refused("/interval_95_steps", Json::array({1.0})));
  EXPECT_TRUE(refused("/interval_95_steps/0", "4990"));
  EXPECT_TRUE(refused("/points/0/position_steps", nullptr));
  EXPECT_FALSE(refused("/points/0/size_px", nullptr));
  EXPECT_TRUE(refused("/rig/f_number", "5"));
  EXPECT_FALSE(refused("/a_new_key", "as later versions may add"));
}

}  // namespace
}  // namespace starwaist
