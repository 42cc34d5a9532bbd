// Stage: which part of the sizes is focus, and which is seeing.
//
// In: the sizes of the frames that count. Out: drift since the last refocus, steps, and what is
// left.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "night/seeing.h"
#include "night/sizes.h"

namespace starwaist::night {

enum class DriftBy { temperature, time };

struct FocusDrift {
  DriftBy by = DriftBy::time;
  double rate = 0;                   // x = rate * (u - origin), per degree or per hour
  std::vector<double> origins;       // by stretch
  double odds = 0;                   // ln likelihood over the same without drift
  std::optional<double> other_odds;  // the same with the other variable
};

// Larger by `height` (of ln size) from `first` to `last`, both included.
struct FocusStep {
  std::size_t first = 0;
  std::size_t last = 0;
  double height = 0;
  double odds = 0;
  double needed_odds = 0;
  bool from_refocus = false;  // begins with its stretch
};

struct FocusModel {
  Seeing seeing;
  std::vector<double> levels;  // ln size in focus in typical seeing, by group
  std::optional<FocusDrift> drift;
  std::vector<FocusStep> steps;
  std::vector<double> focus;     // of each frame: growth of ln size by drift and steps, at least 0
  std::vector<double> by_drift;  // part of it
  std::vector<double> air;       // by air mass, zero where it is smallest
  std::vector<double> seen;      // what is left: seeing
  double log_likelihood = 0;
};

// Growth of ln size at x: variances of blur and seeing add.
double growth(double x);

// The drift and the steps that pay for what they cost by NightRules.
FocusModel explain_sizes(const Sizes& sizes);

}  // namespace starwaist::night
