#include "night/explanation.h"

#include <algorithm>
#include <cmath>

#include "starwaist/night.h"

namespace starwaist::night {
namespace {

// Half-flux radius goes as air mass to the power 0.6 where seeing is all (Kolmogorov; Roddier 1981,
// from memory), less where optics and pixels have a share.
constexpr double kAirPower = 0.52;
constexpr double kAirPowerSigma = 0.2;
// Seeing seldom wanders by more than a fifth for hours (common practice, no source); ln odds of its
// scatter, so that a night of one steady growth is not seeing for want of a limit.
constexpr double kUsualScatter = 0.09;
// Focus that wanders off without the temperature, where that is known, is rarer.
constexpr double kTimeOdds = 4;

double penalty(const SizesProblem& problem, const Explanation& explanation) {
  double sum = 0;
  if (explanation.drift) {
    const FocusDrift& drift = *explanation.drift;
    sum += NightRules::kDriftOdds;
    if (drift.by == DriftBy::time && !problem.sizes.temperature_c.empty()) sum += kTimeOdds;
    for (std::size_t e = 0; e < problem.stretches.size(); ++e) {
      if (drift.origins[e] != problem.variable(drift.by)[problem.stretches[e].first]) {
        sum += kOriginOdds;
      }
    }
  }
  for (const FocusStep& step : explanation.steps) sum += step.needed_odds;
  return sum;
}

}  // namespace

double growth(double x) { return 0.5 * std::log1p(x * x); }

SizesProblem make_problem(const Sizes& sizes) {
  SizesProblem problem{sizes, {}, {}, {}, {}, seeing_grid(), {}, {}};
  problem.log_size = Eigen::Map<const Eigen::VectorXd>(sizes.log_size.data(),
                                                       static_cast<Eigen::Index>(sizes.size()));
  for (const Seeing& seeing : problem.seeings) {
    problem.whiteners.emplace_back(sizes.time_s, sizes.variance, seeing);
    problem.log_prior.push_back(-0.5 * std::pow(seeing.scatter / kUsualScatter, 2));
  }
  for (std::size_t i = 0; i < sizes.size(); ++i) {
    problem.hours.push_back((sizes.time_s[i] - sizes.time_s.front()) / 3600);
    if (i == 0 || sizes.stretch[i] != sizes.stretch[i - 1]) problem.stretches.emplace_back(i, i);
    problem.stretches.back().second = i;
    problem.stretch_of.push_back(problem.stretches.size() - 1);
  }
  return problem;
}

Eigen::VectorXd drift_column(const SizesProblem& problem, const FocusDrift& drift) {
  Eigen::VectorXd column(problem.count());
  const auto& u = problem.variable(drift.by);
  for (std::size_t i = 0; i < problem.sizes.size(); ++i) {
    column[static_cast<Eigen::Index>(i)] =
        growth(drift.rate * (u[i] - drift.origins[problem.stretch_of[i]]));
  }
  return column;
}

Eigen::VectorXd step_column(const SizesProblem& problem, std::size_t first, std::size_t last) {
  Eigen::VectorXd column = Eigen::VectorXd::Zero(problem.count());
  column.segment(static_cast<Eigen::Index>(first), static_cast<Eigen::Index>(last - first + 1))
      .setOnes();
  return column;
}

Eigen::MatrixXd columns_of(const SizesProblem& problem, const std::vector<FocusStep>& steps) {
  const Sizes& s = problem.sizes;
  const bool air = !s.log_air_mass.empty();
  Eigen::MatrixXd x = Eigen::MatrixXd::Zero(
      problem.count(), s.groups + (air ? 1 : 0) + static_cast<Eigen::Index>(steps.size()));
  for (std::size_t i = 0; i < s.size(); ++i) x(static_cast<Eigen::Index>(i), s.group[i]) = 1;
  Eigen::Index c = s.groups;
  if (air) {
    x.col(c++) = Eigen::Map<const Eigen::VectorXd>(s.log_air_mass.data(), problem.count());
  }
  for (const FocusStep& step : steps) x.col(c++) = step_column(problem, step.first, step.last);
  return x;
}

Eigen::VectorXd without_drift(const SizesProblem& problem, const Explanation& explanation) {
  Eigen::VectorXd y = problem.log_size;
  if (explanation.drift) y -= drift_column(problem, *explanation.drift);
  return y;
}

Solved solve(const SizesProblem& problem, const Eigen::MatrixXd& white_x,
             const Eigen::VectorXd& white_y) {
  Eigen::MatrixXd normal = white_x.transpose() * white_x;
  Eigen::VectorXd right = white_x.transpose() * white_y;
  double prior = 0;
  if (!problem.sizes.log_air_mass.empty()) {
    const Eigen::Index air = problem.sizes.groups;
    const double weight = 1 / (kAirPowerSigma * kAirPowerSigma);
    normal(air, air) += weight;
    right[air] += weight * kAirPower;
    prior = weight * kAirPower * kAirPower;
  }
  normal.diagonal().array() += 1e-9 * normal.diagonal().maxCoeff();
  Solved solved;
  solved.coefficients = normal.ldlt().solve(right);
  solved.misfit = white_y.squaredNorm() + prior - solved.coefficients.dot(right);
  return solved;
}

double log_likelihood(const SizesProblem& problem, std::size_t seeing, const Solved& solved) {
  return problem.log_prior[seeing] -
         0.5 * (solved.misfit + problem.whiteners[seeing].log_determinant());
}

double step_odds_needed(const SizesProblem& problem, std::size_t first) {
  const double places = problem.begins_stretch(first)
                            ? static_cast<double>(problem.stretches.size())
                            : static_cast<double>(problem.sizes.size());
  return NightRules::kStepOdds + std::log(std::max(places, 1.0));
}

double penalty_of_steps(const Explanation& explanation) {
  double sum = 0;
  for (const FocusStep& step : explanation.steps) sum += step.needed_odds;
  return sum;
}

Explanation scored(const SizesProblem& problem, Explanation explanation) {
  const Eigen::MatrixXd x = columns_of(problem, explanation.steps);
  const Eigen::VectorXd y = without_drift(problem, explanation);
  explanation.log_likelihood = -std::numeric_limits<double>::infinity();
  for (std::size_t g = 0; g < problem.seeings.size(); ++g) {
    const Whitener& whitener = problem.whiteners[g];
    const Solved solved = solve(problem, whitener.apply(x), whitener.apply(y));
    const double value = log_likelihood(problem, g, solved);
    if (value <= explanation.log_likelihood) continue;
    explanation.log_likelihood = value;
    explanation.seeing = problem.seeings[g];
    explanation.coefficients = solved.coefficients;
  }
  const auto count = static_cast<Eigen::Index>(explanation.steps.size());
  for (Eigen::Index j = 0; j < count; ++j) {
    explanation.steps[static_cast<std::size_t>(j)].height =
        explanation.coefficients[explanation.coefficients.size() - count + j];
  }
  explanation.score = explanation.log_likelihood - penalty(problem, explanation);
  return explanation;
}

}  // namespace starwaist::night
