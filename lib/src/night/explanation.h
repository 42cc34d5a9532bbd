// The sizes with everything that an explanation by focus and seeing is weighed with.
//
// In: the sizes, a drift and steps. Out: the likelihood over all seeings, the coefficients, and
// what the explanation costs.
//
// Private header of module night.
#pragma once

#include <Eigen/Dense>
#include <cstddef>
#include <limits>
#include <optional>
#include <utility>
#include <vector>

#include "night/focus_model.h"
#include "night/seeing.h"

namespace starwaist::night {

inline constexpr double kLeastStep = 0.06;   // of ln size
inline constexpr double kLeastDrift = 0.07;  // of ln size, at its largest
inline constexpr double kOriginOdds = 3;     // ln odds against focus elsewhere than at the refocus

// The sizes made ready: a seeing's whitener and prior are the same for every explanation.
struct SizesProblem {
  const Sizes& sizes;
  Eigen::VectorXd log_size;
  std::vector<double> hours;                                   // since the first frame
  std::vector<std::pair<std::size_t, std::size_t>> stretches;  // first and last frame of each
  std::vector<std::size_t> stretch_of;                         // by frame
  std::vector<Seeing> seeings;
  std::vector<Whitener> whiteners;  // by seeing
  std::vector<double> log_prior;    // by seeing

  [[nodiscard]] Eigen::Index count() const { return log_size.size(); }
  [[nodiscard]] const std::vector<double>& variable(DriftBy by) const {
    return by == DriftBy::temperature ? sizes.temperature_c : hours;
  }
  // Whether a frame is the first after a refocus.
  [[nodiscard]] bool begins_stretch(std::size_t frame) const {
    return stretches[stretch_of[frame]].first == frame;
  }
};

// Precondition: the sizes outlive the problem.
SizesProblem make_problem(const Sizes& sizes);

// One account of the sizes.
struct Explanation {
  std::optional<FocusDrift> drift;
  std::vector<FocusStep> steps;
  Seeing seeing;  // the likeliest
  Eigen::VectorXd coefficients;
  double log_likelihood = -std::numeric_limits<double>::infinity();
  double score = -std::numeric_limits<double>::infinity();  // log_likelihood less what it costs
};

// Columns of the linear part: levels, then air mass where it is known, then the steps.
Eigen::MatrixXd columns_of(const SizesProblem& problem, const std::vector<FocusStep>& steps);
Eigen::VectorXd drift_column(const SizesProblem& problem, const FocusDrift& drift);
Eigen::VectorXd step_column(const SizesProblem& problem, std::size_t first, std::size_t last);

// The sizes less what drift accounts for.
Eigen::VectorXd without_drift(const SizesProblem& problem, const Explanation& explanation);

struct Solved {
  Eigen::VectorXd coefficients;
  double misfit = std::numeric_limits<double>::infinity();
};

// Least squares of whitened columns, with the prior of the air mass.
Solved solve(const SizesProblem& problem, const Eigen::MatrixXd& white_x,
             const Eigen::VectorXd& white_y);

// Log-likelihood at one seeing of the grid.
double log_likelihood(const SizesProblem& problem, std::size_t seeing, const Solved& solved);

// ln odds that a step from this frame on must gain.
double step_odds_needed(const SizesProblem& problem, std::size_t first);

double penalty_of_steps(const Explanation& explanation);

// The explanation with its coefficients, heights, likelihood and score at the likeliest seeing.
Explanation scored(const SizesProblem& problem, Explanation explanation);

}  // namespace starwaist::night
