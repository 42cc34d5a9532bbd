// The runs of one fit as columns of numbers, in the order in which they were taken.
#pragma once

#include <Eigen/Dense>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "starwaist/drift.h"

namespace starwaist::drift {

// A night: runs whose times follow each other by less than kNightGap.
inline constexpr double kNightGapSeconds = 4 * 3600;

struct Samples {
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

// Those of `runs` that `usable` holds true.
Samples sort_samples(std::span<const DriftRun> runs, const std::vector<bool>& usable);

// Least-squares slope of y over x; absent where x does not spread.
std::optional<double> slope_of(std::span<const double> x, std::span<const double> y);

// Temperature of a tube that follows the air, and what is not known of it.
struct TubeTemperature {
  Eigen::VectorXd temperature;
  Eigen::VectorXd start_deviation;  // standard deviation by the unknown state at nightfall, degrees
};

// First-order lag over each night; between runs the air's temperature goes straight. At a night's
// first run the tube stands between balance and the full lag of the first hour's rate: the middle
// is taken, the spread is that of an even distribution, and it dies out with time.
// Precondition: samples are timed.
TubeTemperature tube_temperature(const Samples& samples, double lag_seconds);

// Columns of the model over all samples: 1, temperature, altitude where fitted, one for each filter
// but the first.
struct Design {
  Eigen::MatrixXd x;
  std::optional<Eigen::Index> altitude;      // column
  std::vector<Eigen::Index> filter_columns;  // by filter; -1 for the reference and absent ones
};

struct DesignOptions {
  double reference_temperature_c = 0;
  std::optional<double> reference_altitude_deg;  // absent: no altitude term
  std::vector<int> filters;                      // in use, the reference first
};

Design make_design(const Samples& samples, const Eigen::VectorXd& temperature,
                   const DesignOptions& options);

// The places at which `flags` is `value`, in order.
std::vector<std::size_t> rows_that(const std::vector<bool>& flags, bool value = true);

// The rows of a matrix or vector that `keep` names.
Eigen::MatrixXd rows_of(const Eigen::MatrixXd& matrix, const std::vector<std::size_t>& keep);
Eigen::VectorXd rows_of(const Eigen::VectorXd& vector, const std::vector<std::size_t>& keep);

}  // namespace starwaist::drift
