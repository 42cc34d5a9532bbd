#include "starwaist/fields.h"

#include <gtest/gtest.h>

#include <limits>
#include <string>
#include <vector>

namespace starwaist {
namespace {

struct Whole {
  double first_px = 1;
  int second = 2;
};
struct Lacking {
  double first_px = 0;
  double second_px = 0;
};
struct Twice {
  double first_px = 0;
  double second_px = 0;
};

}  // namespace

template <>
struct Fields<Whole> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(Whole, first_px, "px", "a length", kPositive),
                      STARWAIST_FIELD(Whole, second, "", "a count"));
};
template <>
struct Fields<Lacking> {
  static constexpr auto list =
      fields_in_order(STARWAIST_FIELD(Lacking, first_px, "px", "a length"));
};
template <>
struct Fields<Twice> {
  static constexpr auto list = fields_in_order(STARWAIST_FIELD(Twice, first_px, "px", "a length"),
                                               STARWAIST_FIELD(Twice, first_px, "px", "again"));
};

namespace {

TEST(DescribesEveryField, IsFalseForAMemberThatIsMissingOrNamedTwice) {
  EXPECT_TRUE(describes_every_field<Whole>());
  EXPECT_FALSE(describes_every_field<Lacking>());
  EXPECT_FALSE(describes_every_field<Twice>());
}

TEST(ForEachField, GivesNamesAndMembersInOrder) {
  Whole whole;
  std::vector<std::string> names;
  for_each_field(whole, [&names](const auto& f, auto& value) {
    names.emplace_back(f.name);
    value *= 10;
  });
  EXPECT_EQ(names, (std::vector<std::string>{"first_px", "second"}));
  EXPECT_EQ(whole.first_px, 10);
  EXPECT_EQ(whole.second, 20);
}

TEST(OptionName, IsTheFieldsNameWithDashes) { EXPECT_EQ(option_name("pixel_um"), "pixel-um"); }

TEST(NumberLimits, HoldFiniteNumbersOnly) {
  const double infinity = std::numeric_limits<double>::infinity();
  const double nan = std::numeric_limits<double>::quiet_NaN();
  for (const double value : {infinity, -infinity, nan}) {
    EXPECT_FALSE(NumberLimits{}.contains(value));
    EXPECT_FALSE(kPositive.contains(value));
  }
  EXPECT_TRUE(NumberLimits{}.contains(-1e6));
  EXPECT_FALSE(kPositive.contains(0));
  EXPECT_TRUE(kNotNegative.contains(0));
  const NumberLimits fraction{0, 1, false, true};
  EXPECT_TRUE(fraction.contains(0));
  EXPECT_FALSE(fraction.contains(1));
  EXPECT_EQ(limits_words(fraction), "at least 0 and below 1");
  EXPECT_EQ(limits_words(kPositive), "above 0");
  EXPECT_EQ(limits_words(NumberLimits{}), "finite");
}

}  // namespace
}  // namespace starwaist
