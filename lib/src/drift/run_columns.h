// Stage: the table's runs as columns of numbers.
//
// In: the runs as given. Out: those that can be fitted, in the order taken, and why the others
// cannot.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/drift.h"

namespace starwaist::drift {

inline constexpr double kSecondsPerMinute = 60;

// A longer pause between two runs begins a new night.
inline constexpr double kNightGapSeconds = 4 * 3600;

struct RunColumns {
  std::vector<std::size_t> run;  // index into the caller's runs
  Eigen::VectorXd position;
  Eigen::VectorXd temperature;    // as read
  Eigen::VectorXd sigma_squared;  // of the run's own error; 0 where no run has one
  std::vector<int> filter;        // index into filters
  std::vector<std::optional<std::string>> filters;  // most runs first
  Eigen::VectorXd seconds;                          // empty where a run has no time
  std::vector<std::size_t> night_starts;            // first run of each night; {0} without times
  Eigen::VectorXd altitude;                         // empty where a run has none
  int unknown_sigmas = 0;                           // filled in with the median of the others

  [[nodiscard]] Eigen::Index count() const { return position.size(); }
  [[nodiscard]] bool timed() const { return seconds.size() > 0; }
  [[nodiscard]] std::size_t night_end(std::size_t night) const {
    return night + 1 < night_starts.size() ? night_starts[night + 1] : run.size();
  }
};

struct ChosenRuns {
  RunColumns columns;
  std::map<std::size_t, Statement> left_out;  // reason, by index into the caller's runs
};

// Leaves out runs that the caller calls unusable and runs without a temperature. The order is that
// of the times where every run that stays has one, else that of `runs`.
ChosenRuns choose_runs(std::span<const DriftRun> runs);

}  // namespace starwaist::drift
