#include "starwaist/numbers.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>

namespace starwaist {
namespace {

TEST(ParseNumber, ReadsWhatHeadersAndTablesHold) {
  EXPECT_EQ(parse_number(" 5120 "), 5120.0);
  EXPECT_EQ(parse_number("+4.5"), 4.5);
  EXPECT_EQ(parse_number("1.5D2"), 150.0);  // FITS 4.0 section 4.2.4 allows D for E
  EXPECT_EQ(parse_number("-2e-1\r"), -0.2);
}

TEST(ParseNumber, RefusesAnythingElse) {
  for (const char* text :
       {"", " ", "text", "5 steps", "1,5", "nan", "inf", "+-1", "0x10", "1e999"}) {
    EXPECT_FALSE(parse_number(text).has_value()) << text;
  }
}

TEST(ParseNumberDecimalComma, ReadsBothDecimalSignsAndNoMixture) {
  EXPECT_EQ(parse_number_decimal_comma("2,31"), 2.31);
  EXPECT_EQ(parse_number_decimal_comma("2.31"), 2.31);
  EXPECT_FALSE(parse_number_decimal_comma("1.234,5").has_value());
}

TEST(FormatFixed, RoundsAndNeverPrintsMinusZeroOrNonFinite) {
  EXPECT_EQ(format_fixed(5033.26, 1), "5033.3");
  EXPECT_EQ(format_fixed(-0.001, 2), "0.00");
  EXPECT_EQ(format_fixed(std::nan(""), 2), "-");
  EXPECT_EQ(format_fixed(std::numeric_limits<double>::infinity(), 0), "-");
}

TEST(FormatLikeSigma, KeepsTwoDigitsOfTheUncertainty) {
  EXPECT_EQ(format_like_sigma(5033.2478, 1.94), "5033.2");
  EXPECT_EQ(format_like_sigma(5033.2478, 0.0194), "5033.248");
  EXPECT_EQ(format_like_sigma(5033.2478, 194.0), "5033");
  EXPECT_EQ(format_like_sigma(2.3149, std::nullopt), "2.31");
}

}  // namespace
}  // namespace starwaist
