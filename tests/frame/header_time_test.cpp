// Which keywords give the start of an exposure.
#include "frame/header_time.h"

#include <gtest/gtest.h>

#include <utility>
#include <vector>

#include "frame/header_facts.h"

namespace starwaist::frame_detail {
namespace {

std::pair<std::string, std::string> start_of(std::vector<Card> cards) {
  const auto start = exposure_start(Header(std::move(cards)));
  return start ? std::pair(start->iso, start->keyword) : std::pair(std::string(), std::string());
}

TEST(ExposureStart, TriesTheKeywordsInOrder) {
  const std::pair<std::string, std::string> kNone;
  EXPECT_EQ(start_of({{"DATE-OBS", "2027-02-03T20:11:05.5", ""}, {"MJD-OBS", "61439.5", ""}}),
            std::pair(std::string("2027-02-03T20:11:05.5"), std::string("DATE-OBS")));
  EXPECT_EQ(start_of({{"DATE-OBS", "2027-02-03", ""}, {"TIME-OBS", "20:11:05-0700", ""}}),
            std::pair(std::string("2027-02-04T03:11:05"), std::string("DATE-OBS + TIME-OBS")));
  EXPECT_EQ(start_of({{"DATE-OBS", "03/02/97", ""}, {"UT", "20:11:05", ""}}),
            std::pair(std::string("1997-02-03T20:11:05"), std::string("DATE-OBS + UT")));
  EXPECT_EQ(start_of({{"DATE-OBS", "yesterday", ""}, {"DATE-BEG", "2027-02-03T20:11", ""}}),
            std::pair(std::string("2027-02-03T20:11:00"), std::string("DATE-BEG")));
  EXPECT_EQ(start_of({{"DATE-OBS", "2027-02-03", ""}}), kNone);
  EXPECT_EQ(start_of({}), kNone);
}

TEST(ExposureStart, AModifiedJulianDateIsReadToTheMillisecond) {
  // MJD 51544.0 is 2000-01-01T00:00: J2000.0 is JD 2451545.0, half a day later.
  EXPECT_EQ(start_of({{"MJD-OBS", "51544.5", ""}}).first, "2000-01-01T12:00:00.000");
  EXPECT_EQ(start_of({{"MJD-BEG", "51544.000011574", ""}}).first, "2000-01-01T00:00:01.000");
  EXPECT_EQ(start_of({{"MJD-OBS", "51543.9999999999", ""}}).first, "2000-01-01T00:00:00.000");
  EXPECT_EQ(start_of({{"MJD-OBS", "0", ""}}).first, "");
}

}  // namespace
}  // namespace starwaist::frame_detail
