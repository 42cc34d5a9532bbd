#include "night/drift_search.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace starwaist::night {
namespace {

// Largest change of the variable within a stretch.
double span_of(const SizesProblem& problem, DriftBy by) {
  double span = 0;
  const auto& u = problem.variable(by);
  for (const auto& [first, last] : problem.stretches) {
    const auto begin = u.begin() + static_cast<std::ptrdiff_t>(first);
    const auto end = u.begin() + static_cast<std::ptrdiff_t>(last) + 1;
    span = std::max(span, *std::max_element(begin, end) - *std::min_element(begin, end));
  }
  return span;
}

// A drift and the seeing at which it is likeliest.
struct Found {
  FocusDrift drift;
  std::size_t seeing = 0;
};

// The likeliest of all rates, its origins at the refocuses.
Found likeliest_rate(const SizesProblem& problem, const Eigen::MatrixXd& x, DriftBy by) {
  const auto& u = problem.variable(by);
  Found found;
  found.drift.by = by;
  for (const auto& [first, last] : problem.stretches) found.drift.origins.push_back(u[first]);
  const double span = span_of(problem, by);
  std::vector<Eigen::VectorXd> shapes;
  std::vector<double> rates;
  FocusDrift tried = found.drift;
  for (double reach = 0.2; reach < 9; reach *= 1.3) {
    tried.rate = reach / span;
    rates.push_back(tried.rate);
    shapes.push_back(drift_column(problem, tried));
  }
  found.drift.rate = rates.front();
  double top = -std::numeric_limits<double>::infinity();
  for (std::size_t g = 0; g < problem.seeings.size(); ++g) {
    const Whitener& whitener = problem.whiteners[g];
    const Eigen::MatrixXd white = whitener.apply(x);
    const Eigen::VectorXd white_y = whitener.apply(problem.log_size);
    for (std::size_t r = 0; r < rates.size(); ++r) {
      const Solved solved = solve(problem, white, white_y - whitener.apply(shapes[r]));
      const double value = log_likelihood(problem, g, solved);
      if (value > top) {
        top = value;
        found.drift.rate = rates[r];
        found.seeing = g;
      }
    }
  }
  return found;
}

// What a drift leaves of the sizes at one seeing.
struct DriftCost {
  const SizesProblem& problem;
  const Whitener& whitener;
  Eigen::MatrixXd white_x;
  Eigen::VectorXd white_y;

  [[nodiscard]] double of(const FocusDrift& drift) const {
    return 0.5 *
           solve(problem, white_x, white_y - whitener.apply(drift_column(problem, drift))).misfit;
  }
};

struct Costed {
  FocusDrift drift;
  double cost = 0;
};

// The best of nine rates, up to a factor of `width` away.
Costed best_rate(const DriftCost& cost, const FocusDrift& drift, double width) {
  Costed best{drift, cost.of(drift)};
  for (int k = -4; k <= 4; ++k) {
    FocusDrift tried = best.drift;
    tried.rate = drift.rate * std::pow(width, k / 4.0);
    if (const double c = cost.of(tried); c < best.cost) best = {tried, c};
  }
  return best;
}

// Other origins, stretch by stretch, where they pay.
Costed best_origins(const DriftCost& cost, Costed best) {
  constexpr std::size_t kFewestFrames = 6;
  const auto& u = cost.problem.variable(best.drift.by);
  for (std::size_t e = 0; e < cost.problem.stretches.size(); ++e) {
    const auto [first, last] = cost.problem.stretches[e];
    if (last - first + 1 < kFewestFrames) continue;
    const double start = u[first];
    // Below zero: the refocus fell short on the side to which focus drifts.
    for (const double part : {-2.0, -1.2, -0.7, -0.35, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0}) {
      FocusDrift tried = best.drift;
      tried.origins[e] = u[first] + part * (u[last] - u[first]);
      const double fee = (tried.origins[e] != start ? kOriginOdds : 0) -
                         (best.drift.origins[e] != start ? kOriginOdds : 0);
      if (const double c = cost.of(tried); c + fee < best.cost) best = {tried, c};
    }
  }
  return best;
}

FocusDrift refined(const SizesProblem& problem, const Eigen::MatrixXd& x, const Found& found) {
  const Whitener& whitener = problem.whiteners[found.seeing];
  const DriftCost cost{problem, whitener, whitener.apply(x), whitener.apply(problem.log_size)};
  Costed best = best_rate(cost, found.drift, 1.3);
  constexpr int kRounds = 2;
  for (int round = 0; round < kRounds; ++round) {
    best = best_origins(cost, best);
    best = best_rate(cost, best.drift, 1.5);
    best.drift = best_rate(cost, best.drift, 1.1).drift;
  }
  return best.drift;
}

}  // namespace

bool can_drift(const SizesProblem& problem, DriftBy by) {
  constexpr double kLeastDegrees = 0.3;
  constexpr double kLeastHours = 0.2;
  if (by == DriftBy::temperature && problem.sizes.temperature_c.empty()) return false;
  return span_of(problem, by) > (by == DriftBy::temperature ? kLeastDegrees : kLeastHours);
}

Explanation with_drift(const SizesProblem& problem, const Explanation& before, DriftBy by) {
  const Eigen::MatrixXd x = columns_of(problem, before.steps);
  Explanation found = before;
  found.drift = refined(problem, x, likeliest_rate(problem, x, by));
  if (drift_column(problem, *found.drift).maxCoeff() < kLeastDrift) return before;
  found = scored(problem, std::move(found));
  return found.score > before.score ? found : before;
}

}  // namespace starwaist::night
