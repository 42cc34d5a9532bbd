// Which part of the sizes is focus: drift since the last refocus and steps, told from seeing.
//
// Private header of module night.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "night/seeing.h"

namespace starwaist::night {

// The frames whose sizes count, in the order taken.
struct Sizes {
  std::vector<double> time_s;
  std::vector<double> log_size;
  std::vector<double> variance;  // of log_size, from the stars
  std::vector<int> group;        // 0 .. groups - 1
  int groups = 0;
  std::vector<std::size_t> stretch;   // frames between two refocuses have the same number, rising
  std::vector<double> temperature_c;  // empty where too few frames have one
  std::vector<double> log_air_mass;   // empty where altitudes are not known
  bool positions_known = true;
  [[nodiscard]] std::size_t size() const { return time_s.size(); }
};

enum class DriftBy { temperature, time };

struct Drift {
  DriftBy by = DriftBy::time;
  double rate = 0;                   // x = rate * (u - origin), per degree or per hour
  std::vector<double> origins;       // by stretch
  double odds = 0;                   // ln likelihood over the same without drift
  std::optional<double> other_odds;  // the same with the other variable
};

// Larger by `height` (of ln size) from `first` to `last`, both included.
struct Step {
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
  std::optional<Drift> drift;
  std::vector<Step> steps;
  std::vector<double> focus;     // of each frame: growth of ln size by drift and steps, at least 0
  std::vector<double> by_drift;  // part of it
  std::vector<double> air;       // by air mass, nought where it is smallest
  std::vector<double> seen;      // what is left: seeing
  double log_likelihood = 0;
};

// Growth of ln size at x: variances of blur and seeing add.
double growth(double x);

FocusModel explain_sizes(const Sizes& sizes, double drift_odds, double step_odds);

}  // namespace starwaist::night
