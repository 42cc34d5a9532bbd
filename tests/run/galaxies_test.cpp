#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "run/galaxy_run.h"
#include "starwaist/run.h"

namespace starwaist {
namespace {

bool names(const RunAnswer& answer, const std::string& cause) {
  return std::any_of(answer.findings.begin(), answer.findings.end(),
                     [&](const Finding& finding) { return finding.cause == cause; });
}

// Of a star's size where galaxies are most of the field: the frame's profile is partly theirs.
constexpr double kSize = 0.045;

void expect_sizes_of_stars(const RunAnswer& answer, const galaxies::Run& run) {
  ASSERT_EQ(answer.fit.points.size(), run.sizes_px().size());
  for (std::size_t i = 0; i < run.sizes_px().size(); ++i) {
    ASSERT_TRUE(answer.fit.points[i].size_px.has_value()) << i;
    EXPECT_NEAR(*answer.fit.points[i].size_px / run.sizes_px()[i], 1, kSize) << i;
  }
}

TEST(JudgeRun, FewStarsAmongManyGalaxiesGiveTheSizes) {
  galaxies::Sky sky;
  sky.stars = 22;
  sky.galaxies = 75;
  galaxies::Run run(sky);
  const auto answer = galaxies::judged(run, sky);
  ASSERT_TRUE(answer.has_value());
  expect_sizes_of_stars(*answer, run);
  EXPECT_TRUE(names(*answer, "extended_objects"));
  EXPECT_EQ(answer->findings.size(), 1U);
  ASSERT_TRUE(answer->fit.interval_95_steps.low && answer->fit.interval_95_steps.high);
  EXPECT_LE(*answer->fit.interval_95_steps.low, sky.best_um);
  EXPECT_GE(*answer->fit.interval_95_steps.high, sky.best_um);
}

TEST(JudgeRun, KnotsOfANebulaAreNoStars) {
  galaxies::Sky sky;
  sky.galaxies = 0;
  sky.knots = 30;
  sky.galaxy_over_star = 1.6;
  sky.seed = 3;
  galaxies::Run run(sky);
  const auto answer = galaxies::judged(run, sky);
  ASSERT_TRUE(answer.has_value());
  expect_sizes_of_stars(*answer, run);
  EXPECT_TRUE(names(*answer, "extended_objects"));
  EXPECT_EQ(answer->findings.size(), 1U);
}

TEST(JudgeRun, FieldOfStarsAloneHasNoExtendedObjects) {
  galaxies::Sky sky;
  sky.stars = 60;
  sky.galaxies = 0;
  sky.seed = 4;
  galaxies::Run run(sky);
  const auto answer = galaxies::judged(run, sky);
  ASSERT_TRUE(answer.has_value());
  expect_sizes_of_stars(*answer, run);
  EXPECT_TRUE(answer->findings.empty());
}

}  // namespace
}  // namespace starwaist
