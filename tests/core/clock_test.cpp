// The one grammar of times.
#include "core/clock.h"

#include <gtest/gtest.h>

#include <string>
#include <utility>

namespace starwaist::core {
namespace {

TEST(UtcText, ReadsEveryFormOfATime) {
  const std::pair<const char*, const char*> forms[] = {
      {"2027-02-03T20:11:05", "2027-02-03T20:11:05"},
      {"2027-02-03 20:11:05", "2027-02-03T20:11:05"},
      {" 2027-02-03T20:11:05 ", "2027-02-03T20:11:05"},
      {"2027-02-03T20:11:05.250", "2027-02-03T20:11:05.250"},
      {"2027-02-03T20:11:05.", "2027-02-03T20:11:05"},
      {"2027-02-03T20:11", "2027-02-03T20:11:00"},
      {"2027-02-03T20", "2027-02-03T20:00:00"},
      {"2027-02-03T20:11:05Z", "2027-02-03T20:11:05"},
      {"2027-02-03T20:11Z", "2027-02-03T20:11:00"},
      {"2027-02-03T20:11:05.5+01:00", "2027-02-03T19:11:05.5"},
      {"2027-02-03T20:11:05+0100", "2027-02-03T19:11:05"},
      {"2027-02-03T20:11:05-07", "2027-02-04T03:11:05"},
      {"2027-02-03T20:11+0530", "2027-02-03T14:41:00"},
      {"2027-03-01T00:30:00+01:00", "2027-02-28T23:30:00"},
      {"2027-12-31T23:30:00-0100", "2028-01-01T00:30:00"},
      {"2016-12-31T23:59:60", "2016-12-31T23:59:60"},
      {"03/02/97 20:11:05", "1997-02-03T20:11:05"},
      {"03/02/97T20:11", "1997-02-03T20:11:00"},
  };
  for (const auto& [text, kept] : forms) {
    EXPECT_EQ(utc_text(text), kept) << text;
    EXPECT_EQ(parse_utc(text), parse_utc(kept)) << text;
    EXPECT_TRUE(parse_utc(text).has_value()) << text;
  }
}

TEST(UtcText, RefusesAnythingElse) {
  for (const char* text : {"", "2027-02-03", "20:11:05", "1234.5", "2027-02-30T20:11:05",
                           "2027-02-03T24:00:00", "2027-02-03T20:60:00", "2027-02-03T20:11:61",
                           "2027-02-03T20:11:05+15:00", "2027-02-03T20:11:05+01:60",
                           "2027-02-03T20:11:05 UTC", "2027-02-03T20:", "2027-02-03T20+01",
                           "2027-2-3T20:11:05", "2027/02/03 20:11:05", "03/02/1997 20:11:05",
                           "2027-02-03x20:11:05", "2027-02-03T20:11:5", "2027-02-03T20-11-05"}) {
    EXPECT_FALSE(utc_text(text).has_value()) << text;
    EXPECT_FALSE(parse_utc(text).has_value()) << text;
  }
}

TEST(ParseUtc, CountsSecondsSince1970) {
  EXPECT_EQ(parse_utc("1970-01-01T00:00:00"), 0.0);
  EXPECT_EQ(parse_utc("2027-02-03T20:11:05.25"), 1801685465.25);  // date -u -d ... +%s
  EXPECT_EQ(parse_utc("2016-12-31T23:59:60"), parse_utc("2017-01-01T00:00:00"));
}

TEST(FormatUtc, IsReadBack) {
  EXPECT_EQ(format_utc(1801685465.25), "2027-02-03T20:11:05.250");
  EXPECT_EQ(parse_utc(format_utc(1.8e9 + 0.125)), 1.8e9 + 0.125);
}

}  // namespace
}  // namespace starwaist::core
