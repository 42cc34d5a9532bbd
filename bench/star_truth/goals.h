// What measure_frame is held against.
#pragma once

namespace starwaist::bench::star_truth {

constexpr double kGoalBias = 0.01;
constexpr double kGoalBiasWideWings = 0.02;  // Moffat 2.5
constexpr double kGoalScatter = 1.3;
constexpr double kGoalLowZ = 0.8;
constexpr double kGoalHighZ = 1.25;
constexpr double kGoalCompleteness = 0.95;
constexpr double kGoalFalse = 0.01;
constexpr double kGoalSplit = 0.005;

}  // namespace starwaist::bench::star_truth
