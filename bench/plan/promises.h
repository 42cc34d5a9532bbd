// Plans of single nights, each carried out many times: what was achieved over what was stated.
#pragma once

#include <random>
#include <string>
#include <vector>

#include "plan/seeing_walk.h"
#include "rendered_curve.h"

namespace starwaist::bench {

// One plan, carried out.
struct Promise {
  double expected_steps = 0;
  double achieved_steps = 0;  // root mean square
  int runs = 0;
  int answers = 0;
  int trusted = 0;
  int in_zone = 0;
  double promised_in_zone = 0;

  [[nodiscard]] double ratio() const { return achieved_steps / expected_steps; }
};

// Of all plans: within 1.25 either way, and at most 1.25 times what was stated.
void print_summary(const std::string& what, const std::vector<Promise>& promises);

// Sizes by wave optics, seeing by a walk of 2 to 8 % and 0.5 to 10 frames, one frame in twenty
// spoiled. Plans from the optics are told the jitter, plans from a rough run of nine points see it.
void correlated(const std::vector<Telescope>& telescopes, int plans, std::mt19937_64& random);

// The same from rendered frames: a rough run is rendered, judged and planned by, the plan rendered
// and judged.
void from_frames(int plans, std::mt19937_64& random);

}  // namespace starwaist::bench
