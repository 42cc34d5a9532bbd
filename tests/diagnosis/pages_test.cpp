#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "diagnosis/cause.h"
#include "starwaist/diagnosis.h"

namespace starwaist {
namespace {

TEST(CausePages, EveryCauseTellsAllThatItsPageNeeds) {
  std::set<std::string> names;
  for (const CausePage& page : cause_pages()) {
    EXPECT_TRUE(names.insert(page.cause).second) << page.cause;
    for (const std::string* text :
         {&page.title, &page.what, &page.curve, &page.look_alikes, &page.remedy, &page.source}) {
      EXPECT_FALSE(text->empty()) << page.cause;
      EXPECT_EQ(text->find('\n'), std::string::npos) << page.cause;
    }
  }
  for (const char* name :
       {"one_sided", "step_too_small", "step_too_large", "too_few_points", "slack", "no_motion",
        "focus_jump", "passing_cloud", "fogging", "few_stars", "saturation", "background_change",
        "thermal_drift", "bad_seeing"}) {
    EXPECT_EQ(names.count(name), 1U) << name;
  }
}

TEST(CausePage, IsFoundByNameOnly) {
  ASSERT_TRUE(cause_page("slack"));
  EXPECT_EQ(cause_page("slack")->cause, "slack");
  EXPECT_FALSE(cause_page("nothing"));
}

TEST(LogOdds, AndProbabilityAreInverse) {
  for (const double p : {0.01, 0.5, 0.93}) {
    EXPECT_NEAR(diagnosis::probability_of(diagnosis::log_odds_of(p)), p, 1e-14);
  }
}

TEST(LogRatioOfSigmas, IsTheRatioOfTwoNormalDensities) {
  // An effect spread by s (in its own errors) makes the estimate normal with variance 1 + s^2
  // instead of 1: the ratio of both densities at z, in closed form.
  const double z = 4;
  const double s2 = 100;
  const double with = std::exp(-0.5 * z * z / (1 + s2)) / std::sqrt(1 + s2);
  const double without = std::exp(-0.5 * z * z);
  EXPECT_NEAR(diagnosis::log_ratio_of_sigmas(z, 5, 10), std::log(with / without / 5), 1e-12);
  EXPECT_LT(diagnosis::log_ratio_of_sigmas(1), 0);
}

}  // namespace
}  // namespace starwaist
