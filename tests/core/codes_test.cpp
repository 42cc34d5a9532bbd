#include "starwaist/codes.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cctype>
#include <set>
#include <string>

#include "starwaist/diagnosis.h"
#include "starwaist/statement.h"

namespace starwaist {
namespace {

bool is_snake_case(std::string_view name) {
  const auto lower = [](char c) { return c >= 'a' && c <= 'z'; };
  return !name.empty() && lower(name.front()) && name.back() != '_' &&
         name.find("__") == std::string_view::npos &&
         std::all_of(name.begin(), name.end(),
                     [&lower](char c) { return lower(c) || c == '_' || (c >= '0' && c <= '9'); });
}

TEST(Codes, AreUniqueSnakeCaseAndDescribed) {
  EXPECT_FALSE(is_snake_case("No_code") || is_snake_case("no__code") || is_snake_case("9_codes"));
  std::set<std::string_view> seen;
  for (const codes::Entry& entry : codes::kAll) {
    EXPECT_TRUE(seen.insert(entry.code).second) << entry.code << " comes twice";
    EXPECT_TRUE(is_snake_case(entry.code)) << entry.code;
    EXPECT_FALSE(entry.meaning.empty()) << entry.code;
  }
  EXPECT_EQ(std::string(codes::few_points), "few_points");
}

// A reason that a cause gives has the cause's name as its code.
TEST(Codes, AreNoNamesOfCauses) {
  for (const CausePage& page : cause_pages()) {
    EXPECT_TRUE(is_snake_case(page.cause)) << page.cause;
    for (const codes::Entry& entry : codes::kAll) EXPECT_NE(entry.code, page.cause);
  }
}

// Two codes with one meaning would be one code.
TEST(Codes, HaveMeaningsOfTheirOwn) {
  std::set<std::string_view> meanings;
  for (const codes::Entry& entry : codes::kAll) {
    EXPECT_TRUE(meanings.insert(entry.meaning).second) << entry.code << ": " << entry.meaning;
  }
}

TEST(CodeKeys, StandBesideTheWords) {
  EXPECT_EQ(code_key("advice"), "advice_code");
  EXPECT_EQ(codes_key("reasons"), "reason_codes");
}

}  // namespace
}  // namespace starwaist
