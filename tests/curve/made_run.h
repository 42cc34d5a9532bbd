// Runs made from a formula, for the tests of the fit.
#pragma once

#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "starwaist/curve.h"

namespace starwaist::made {

struct Curve {
  double best_focus_steps = 5030;
  double smallest_px = 2;
  double slope_px_per_step = 0.02;

  [[nodiscard]] double core_steps() const { return smallest_px / slope_px_per_step; }
  [[nodiscard]] double at(double position) const {
    const double arm = slope_px_per_step * (position - best_focus_steps);
    return std::sqrt(smallest_px * smallest_px + arm * arm);
  }
};

// n equal steps over centre +- half_range, without noise.
inline std::vector<CurvePoint> run(const Curve& curve, int n, double centre, double half_range) {
  std::vector<CurvePoint> points;
  for (int i = 0; i < n; ++i) {
    CurvePoint point;
    point.file = "row " + std::to_string(i + 1);
    point.position_steps = centre + half_range * (n > 1 ? 2.0 * i / (n - 1) - 1 : 0.0);
    point.size_px = curve.at(point.position_steps);
    points.push_back(point);
  }
  return points;
}

// Every size times 1 + relative * normal.
inline void add_relative_noise(std::vector<CurvePoint>& points, double relative,
                               std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  for (CurvePoint& point : points) *point.size_px *= 1 + relative * normal(random);
}

}  // namespace starwaist::made
