// The verdict and its words, from the rules stated in starwaist/curve.h.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "starwaist/curve.h"
#include "starwaist/statement.h"

namespace starwaist::curve {

// What the verdict rests on. Positions in steps, sizes in px.
struct VerdictFacts {
  int used_points = 0;
  int used_positions = 0;  // distinct
  int rejected_points = 0;
  std::optional<double> best_focus_steps;
  std::optional<double> sigma_steps;  // half of the 68 % interval
  Interval interval_95_steps;
  double lowest_position_steps = 0;  // of the used points
  double highest_position_steps = 0;
  int points_below = 0;  // used points at positions below best focus
  int points_above = 0;
  std::optional<double> zone_steps;        // full width
  std::optional<double> core_width_steps;  // smallest size over slope; absent without a slope
  double smallest_seen_px = 0;             // of the used points
  double largest_seen_px = 0;
  bool peaks_inside = false;    // the sizes are largest inside the range
  double smallest_size_px = 0;  // of the fitted curve
  double size_at_lowest_px = 0;
  double size_at_highest_px = 0;
  double noise_px = 0;  // typical deviation of a point from the curve
  std::optional<double> slope_px_per_step;
  std::optional<double> expected_slope_px_per_step;  // from the rig
  bool parabola_answers = false;
};

struct Judgement {
  Verdict verdict = Verdict::trusted;
  std::vector<Statement> reasons;
};

Judgement judge(const VerdictFacts& facts);

// "1 usable point", "3 usable points"
inline std::string count_of(std::size_t n, const std::string& what) {
  return std::to_string(n) + " " + what + (n == 1 ? "" : "s");
}

}  // namespace starwaist::curve
