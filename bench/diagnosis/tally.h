// The answers to all runs, counted.
#pragma once

#include <array>
#include <map>
#include <string>
#include <vector>

#include "diagnosis/answers.h"
#include "diagnosis/runs.h"
#include "diagnosis/settings.h"

namespace starwaist::bench::diagnosis {

// Of one cause.
struct Count {
  int runs = 0;
  int listed = 0;
  int first = 0;
  int wrongly_listed = 0;  // in runs with another truth
  int wrongly_first = 0;
};

// Findings of like confidence.
struct Bin {
  double low = 0;
  double weight = 0;
  double confidence = 0;
  double right = 0;
  int findings = 0;
};

// How far the answers of runs with the same truth are right.
struct Trust {
  int runs = 0;
  int answered = 0;
  int in_68 = 0;
  int in_95 = 0;
  int trusted = 0;
  int trusted_and_wrong = 0;
  std::vector<double> half_widths_half_zones;
};

struct Tally {
  std::map<std::string, Trust> trust;  // by what happened; "two causes"
  std::map<std::string, Count> counts;
  // How often which was named first (inner) of what happened (outer), in runs with one cause.
  std::map<std::string, std::map<std::string, int>> matrix;
  int healthy_runs = 0;
  int healthy_named = 0;
  int pair_runs = 0;
  int pairs_both = 0;
  int failures = 0;
  int trusted_and_wrong = 0;
  std::array<Bin, 3> bins = {{{0.5}, {0.7}, {0.9}}};
};

Tally tally_of(const std::vector<Run>& runs, const std::vector<Answer>& answers,
               const Settings& settings);

}  // namespace starwaist::bench::diagnosis
