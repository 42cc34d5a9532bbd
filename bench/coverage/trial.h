// A run of frames drawn from a true curve.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>
#include <random>
#include <vector>

#include "coverage/telescopes.h"
#include "starwaist/curve.h"

namespace starwaist::bench::coverage {

struct Setting {
  int n = 9;
  double seeing_scatter = 0.03;
  double measuring = 0.01;
  bool give_sigma = true;
  int outliers = 0;
  bool only_larger = true;
  double outlier_low = 5;  // sigma
  double outlier_high = 30;
  double half_range = 3;        // cores
  double largest_offset = 0.5;  // of the half range
  // What the fit does not model.
  double shape_power = 0;         // size = H0 (1 + |u|^power)^(1 / power) in place of wave optics
  double sigma_factor = 1;        // the sigmas given over the true ones
  double seeing_correlation = 0;  // from frame to frame
  double quantum_px = 0;          // sizes are rounded to it
  double unequal_steps = 0;       // random part of each step
  bool repeats = false;           // two frames at each position but one
};

struct Trial {
  std::vector<CurvePoint> points;
  double truth = 0;
  double fisher = 0;  // least possible standard error of best focus
  // For the oracles: how ln size moves with (position, ln seeing, ln slope) and how far each point
  // lies from the true curve, relative; which points are bad.
  std::vector<std::array<double, 3>> rows;
  std::vector<double> deviation;
  std::vector<double> measuring;
  std::vector<std::size_t> bad;
  // Relative, with that scatter of the seeing.
  [[nodiscard]] std::vector<double> sigma(double seeing_scatter) const {
    std::vector<double> list;
    for (std::size_t i = 0; i < rows.size(); ++i) {
      list.push_back(std::hypot(measuring[i], rows[i][1] * seeing_scatter));
    }
    return list;
  }
};

Trial make_trial(const Telescope& t, const Setting& s, std::mt19937_64& random);

}  // namespace starwaist::bench::coverage
