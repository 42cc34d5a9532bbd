#include "starwaist/move.h"

#include <gtest/gtest.h>

namespace starwaist {
namespace {

TEST(MoveTo, ComesFromTheSideThatTheSweepCameFrom) {
  Rig rig;
  rig.takeup_steps = 90;
  const Move outward = move_to(5231.4, Direction::outward, rig);
  EXPECT_EQ(outward.to_steps, 5231);
  EXPECT_EQ(outward.via_steps, 5141);
  const Move inward = move_to(5231.6, Direction::inward, rig);
  EXPECT_EQ(inward.to_steps, 5232);
  EXPECT_EQ(inward.via_steps, 5322);
}

TEST(MoveTo, GoesStraightWhereThereIsNothingToTakeUp) {
  Rig rig;
  EXPECT_FALSE(move_to(100, Direction::outward, rig).via_steps);
  rig.takeup_steps = 0;
  EXPECT_FALSE(move_to(100, Direction::outward, rig).via_steps);
  rig.takeup_steps = 50;
  EXPECT_FALSE(move_to(100, std::nullopt, rig).via_steps);
}

TEST(MoveTo, NeverLeavesTheRigsLimits) {
  Rig rig;
  rig.takeup_steps = 90;
  rig.min_position_steps = 60.5;
  rig.max_position_steps = 120.5;
  const Move near_stop = move_to(100, Direction::outward, rig);
  EXPECT_EQ(near_stop.to_steps, 100);
  EXPECT_EQ(near_stop.via_steps, 61);
  const Move beyond = move_to(150, Direction::inward, rig);
  EXPECT_EQ(beyond.to_steps, 120);
  EXPECT_FALSE(beyond.via_steps);  // no room above it
}

}  // namespace
}  // namespace starwaist
