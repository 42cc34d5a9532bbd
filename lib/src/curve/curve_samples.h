// The points of one fit, centred and scaled: t = (position - centre) / half range, y = size /
// median size, so that every number is of order one whatever the focuser's counts are.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

namespace starwaist::curve {

struct Samples {
  std::vector<double> t;
  std::vector<double> y;
  std::vector<double> own_sigma;  // standard error of y; 0 where unknown
  std::vector<double> weight;     // 1 / sigma of y used in the fit; 0 leaves the point out
  double centre_steps = 0;
  double half_range_steps = 1;
  double size_unit_px = 1;

  [[nodiscard]] std::size_t count() const { return t.size(); }
  [[nodiscard]] bool has_own_sigmas() const {
    return std::any_of(own_sigma.begin(), own_sigma.end(), [](double s) { return s > 0; });
  }
  [[nodiscard]] int used() const {
    int n = 0;
    for (const double w : weight) n += w > 0 ? 1 : 0;
    return n;
  }
  [[nodiscard]] double steps(double t_value) const {
    return centre_steps + half_range_steps * t_value;
  }
  [[nodiscard]] double scaled_position(double position_steps) const {
    return (position_steps - centre_steps) / half_range_steps;
  }
};

}  // namespace starwaist::curve
