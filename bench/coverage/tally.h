// Trials counted.
#pragma once

#include <algorithm>
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "coverage/telescopes.h"
#include "coverage/trial.h"
#include "starwaist/curve.h"

namespace starwaist::bench::coverage {

struct Tally {
  int trials = 0;
  int within_95 = 0;
  int within_68 = 0;
  int none = 0;
  int trusted = 0;
  double squares = 0;  // of (error / Fisher sigma)
  double squares_steps = 0;
  double zone_squares = 0;  // of (error / half zone)
  int of_oracles = 0;       // trials that they were asked in
  double told_squares = 0;  // of the oracles' errors over Fisher's sigma
  double number_squares = 0;
  double learning_squares = 0;
  void add(const FitResult& r, const Trial& t);
  void add(const Tally& o);
  [[nodiscard]] double rms_over_fisher() const {
    return std::sqrt(squares / std::max(1, trials - none));
  }
  void print(const std::string& label) const;
};

inline const std::vector<int> kCounts{5, 7, 9, 11, 15};  // points a run

Tally run_cell(const std::vector<Telescope>& telescopes, const Setting& s, int trials,
               std::mt19937_64& random);

}  // namespace starwaist::bench::coverage
