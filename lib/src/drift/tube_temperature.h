// Stage: the temperature of a tube that follows the air late.
//
// In: the runs' times and air temperatures, and a lag. Out: the tube's temperature at each run and
// how unsure it is.
#pragma once

#include <Eigen/Dense>
#include <optional>
#include <span>

#include "drift/run_columns.h"

namespace starwaist::drift {

struct TubeTemperature {
  Eigen::VectorXd temperature;
  Eigen::VectorXd start_deviation;  // standard deviation by the unknown state at nightfall, degrees
};

// First-order lag over each night. Between runs the air's temperature changes evenly.
// At a night's first run the tube stands between balance and the full lag at the first hour's rate:
// the middle is taken. Its spread is that of an even distribution and dies out with time.
// Precondition: the runs are timed.
TubeTemperature tube_temperature(const RunColumns& columns, double lag_seconds);

// Least-squares slope of y over x; absent where x does not spread.
std::optional<double> slope_of(std::span<const double> x, std::span<const double> y);

}  // namespace starwaist::drift
