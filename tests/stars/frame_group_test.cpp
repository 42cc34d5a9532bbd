#include <gtest/gtest.h>

#include <vector>

#include "starwaist/stars.h"

namespace starwaist {
namespace {

TEST(FrameGroup, RefersToTheFramesWhereTheyAreKept) {
  std::vector<MeasuredFrame> run(3);
  const std::vector<FrameMeasurement> bare(2);
  FrameGroup group(run);
  group.add(bare[1]);
  ASSERT_EQ(group.size(), 4U);
  run[2].measurement.star_count = 7;
  EXPECT_EQ(&group[2], &run[2].measurement);
  EXPECT_EQ(group[2].star_count, 7);
  EXPECT_EQ(&group[3], &bare[1]);
  EXPECT_EQ(&FrameGroup(bare)[0], &bare[0]);
}

}  // namespace
}  // namespace starwaist
